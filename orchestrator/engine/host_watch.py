"""The host's own counters, over one channel for the whole run.

They tell of other load, not of the guest, so losing them does not cost a trial: it is told, and the channel is opened
again for the next trial.
"""

from __future__ import annotations

from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.bench import Bench
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import Sampler, Shell
from orchestrator.errors import StageError

_LOG_IN_WITHIN_S = 20.0


class HostWatch:
    """Samples the host where it can be logged in to; otherwise says so once and gives nothing."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._shell: Shell | None = None
        self._sampler: Sampler | None = None
        self._told_of_no_access = False

    def ready(self) -> None:
        """Open the channel if it is not open; never raises for a host that cannot be reached."""
        if self._sampler is not None:
            return
        access = self._bench.hypervisor.host_access()
        if access is None:
            if not self._told_of_no_access:
                self._told_of_no_access = True
                self._tell("the host's own counters are not read: the lab gives no ssh access to it")
            return
        try:
            self._shell = self._bench.connector.connect(access, machine="host", timeout_s=_LOG_IN_WITHIN_S)
            self._sampler = self._bench.samplers.open(self._shell, machine="host")
        except StageError as error:
            self._lose(error)

    def sample(self) -> Sample | None:
        """One reading, or ``None`` where there is none to be had."""
        if self._sampler is None:
            return None
        try:
            return self._sampler.sample()
        except StageError as error:
            self._lose(error)
            return None

    def fingerprint(self) -> dict[str, str | None]:
        """The host's facts; empty where it cannot be logged in to."""
        if self._shell is None:
            return {}
        try:
            return dict(self._bench.fingerprint(self._shell, ""))
        except StageError as error:
            self._lose(error)
            return {}

    def exchanges(self, count: int) -> list[Exchange]:
        """As many exchanges of timestamps as the host answers, ``count`` at most."""
        done: list[Exchange] = []
        try:
            while self._sampler is not None and len(done) < count:
                done.append(self._sampler.exchange())
        except StageError as error:
            self._lose(error)
        return done

    def close(self) -> None:
        """End the channel; safe to call twice."""
        sampler, shell = self._sampler, self._shell
        self._sampler = self._shell = None
        try:
            if sampler is not None:
                sampler.close()
        except StageError as error:
            self._tell(f"the host's sampler did not end in order: {error}")
        finally:
            if shell is not None:
                shell.close()

    def _lose(self, error: StageError) -> None:
        self._tell(f"the host's own counters are unavailable: {error}")
        self.close()

    def _tell(self, text: str) -> None:
        self._bench.reporter.tell(Notice(text))
