"""A night of three trials on the simulated lab in virtual time, into which faults of SSH are put at chosen moments."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from simulated_run import Experiment, Heard, lab, plan

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.core.record.journal import progress
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.news import News, StageBegan, TrialBegan
from orchestrator.engine.ports import Shell

#: The trial that is struck; there is one before it and one after it.
STRUCK, TRIALS = 2, 3


class Night:
    """One run of three trials.

    Args:
        long: an interval is asked for that is never narrow enough, so that measuring goes on when the warm-up is seen
            to be over.
        settings: of the simulated lab.

    Attributes:
        experiment: the run.
        world: the simulated guest and its host, of which a test changes the state.
        trial, stage: what is under way.
    """

    def __init__(self, *, long: bool = False, **settings: Any) -> None:
        steady = {"at-least": "30 s", "at-most": "30 s"}
        if long:
            steady |= {"at-most": "4 min", "until-within": "0.1 %"}
        warm_up = {"at-least": "10 s", "at-most": "1 min"}
        measure = {"every": "2 s", "warm-up": warm_up, "steady": steady}
        # In their order the struck trial is of shape two, so that a missing CPU can be seen.
        cells = [{"shape": "one", "threads": 2}, {"shape": "two", "threads": 1}, {"shape": "two", "threads": 2}]
        asked = plan(design={"blocks": 1, "only": cells}, measure=measure)
        self.experiment = Experiment(asked, lab(**settings), heard=Heard(stop_on=self._hear))
        self.world = self.experiment.hypervisor._world  # type: ignore[attr-defined]
        self.clock = self.experiment.clock
        self.trial, self.stage = 0, ""
        self._at: dict[str, Callable[[], None]] = {}
        self._real: tuple[set[int], SshAccess, float] | None = None
        self._connect = self.experiment.bench.connector.connect
        self.experiment.bench.connector.connect = self._log_in  # type: ignore[method-assign]

    def at(self, stage: str, act: Callable[[], None]) -> None:
        """Do something as a stage of the struck trial begins for the first time."""
        self._at[stage] = act

    def in_place_of_the_guest(self, access: SshAccess, trials: set[int], *, real_try_s: float = 10.0) -> None:
        """In some trials logins in the guest go, over real SSH, to another address.

        A try that is not answered within so many real seconds takes all the virtual time that it was allowed.
        """
        self._real = trials, access, real_try_s

    def drop(self) -> None:
        """Cut every login in the guest, as a switch that loses its table does; what ran through them ends."""
        self.world.session += 1
        self.world._unload_all(self.clock.monotonic())

    def freeze(self) -> None:
        """From now on the guest says nothing more."""
        self.world.silent_s = self.clock.monotonic()

    def go(self) -> list[TrialRecord]:
        """Run it; the guest must be back and the run done, whatever happened."""
        before = self.experiment.hypervisor.save()
        records = self.experiment.go()
        assert self.experiment.hypervisor.save() == before
        where = progress(self.experiment.store.kept["run-1"].journal)
        assert (where.state, where.guest_is_back) == ("done", True)
        assert len(records) == TRIALS
        return records

    def struck(self) -> TrialRecord:
        """Run it; returns the struck trial, all others of which were measured."""
        records = self.go()
        assert [record.outcome for record in records if record.number != STRUCK] == ["measured"] * (TRIALS - 1)
        return records[STRUCK - 1]

    def _hear(self, news: News) -> bool:
        if isinstance(news, TrialBegan):
            self.trial = news.trial.number
        if isinstance(news, StageBegan):
            self.stage = news.stage
            if self.trial == STRUCK and (act := self._at.pop(news.stage, None)) is not None:
                act()
        return False

    def _log_in(self, access: SshAccess, *, machine: str, timeout_s: float) -> Shell:
        if machine == "guest" and self._real is not None and self.trial in self._real[0]:
            _, other, real_try_s = self._real
            began_s = SystemClock().monotonic()
            try:
                return SshConnector(SystemClock()).connect(other, machine=machine, timeout_s=real_try_s)
            finally:
                used_up = SystemClock().monotonic() - began_s >= real_try_s
                self.clock.sleep(timeout_s if used_up else 0.01)
        return self._connect(access, machine=machine, timeout_s=timeout_s)
