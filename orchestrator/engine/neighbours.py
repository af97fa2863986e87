"""The neighbours of a run: started before its first trial, looked after at each, and put back with it.

A neighbour's guest is used as it is defined. It is kept and put back like the measured one all the same: it is started
where it is off, and its owner gets it back off.
"""

from __future__ import annotations

from collections.abc import Mapping

from orchestrator.core.design.neighbour import described, guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.engine.bench import Bench
from orchestrator.engine.keeping import Keeper, Note, describe_first
from orchestrator.engine.neighbour_load import Load, Place
from orchestrator.engine.news import NeighboursBegan, Notice
from orchestrator.engine.ports import SavedGuest
from orchestrator.engine.stages import Remaining
from orchestrator.errors import HostFault, StageError, StoreError, TrialbedError, UnreachableError

#: A load that has ended three times while it was looked at is not one that runs.
_LOOKS = 3


class Neighbours:
    """All neighbours that a plan declares; does nothing where it declares none.

    Args:
        plan: the plan.
        bench: the world; its ``neighbours`` are the drivers bound to the guests named.
        keeper: keeps guests and puts them back.
        note: the run's journal.
    """

    def __init__(self, plan: Plan, bench: Bench, keeper: Keeper, note: Note) -> None:
        self._declared, self._bench, self._keeper, self._note = plan.neighbours, bench, keeper, note
        self._guests = guests_of(plan.neighbours)
        self._saved: dict[str, SavedGuest] = {}
        self._begun = False
        places = {None: Place(bench, None, bench.hypervisor)} | {
            guest: Place(bench, guest, bench.neighbours[guest]) for guest in self._guests
        }
        self._places = places.values()
        self._loads = [Load(neighbour, places[neighbour.guest], bench) for neighbour in plan.neighbours]

    def keep(self) -> Mapping[str, SavedGuest]:
        """Keep their guests' definitions; changes nothing.

        Returns:
            What is kept, by the guests' names.

        Raises:
            UnreachableError: one cannot be read.
        """
        for guest in self._guests:
            describe_first(self._bench.neighbours[guest], guest)
            self._saved[guest] = self._keeper.keep(guest, self._bench.neighbours[guest])
        return self._saved

    def begin(self) -> None:
        """Start them all, their guests first where they are off.

        Raises:
            UnreachableError: one does not run; :meth:`end` is still to be called.
        """
        if not self._declared:
            return
        names = [neighbour.name for neighbour in self._declared]
        self._begun = True
        self._note("neighbours-started", None, {"neighbours": names, "guests": list(self._guests)})
        for load in self._loads:
            try:
                load.start()
            except StageError as error:
                raise UnreachableError(
                    f"neighbour {load.neighbour} could not be started, so no trial was run: {error}"
                ) from error
            if load.together and load.neighbour.loops != 1:
                self._tell(
                    f"neighbour {load.neighbour}: the machine has no setsid, so its loops share one session, "
                    "and a kernel that weighs sessions gives them the CPU time of one"
                )
        self._bench.reporter.tell(NeighboursBegan(described(self._declared)))

    def insist(self, trial: str, left: Remaining) -> None:
        """Look whether each still runs, and start again what does not.

        Args:
            trial: that is to be launched beside them.
            left: the time there is; nothing is started again once it is over.

        Raises:
            HostFault: one does not run, and does not start again either.
        """
        looks = 0
        while looks < _LOOKS and (looks == 0 or left() > 0):
            looks += 1
            # All of them are looked at anew: a login that is given up for one takes the others on it with it.
            if not [load for load in self._loads if self._restarted(load, trial)]:
                return
        times = "once" if looks == 1 else f"{looks} times"
        raise HostFault(f"the neighbours did not go on running, started again {times}: {described(self._declared)}")

    def vouch(self) -> None:
        """Insist that all have run up to now.

        Raises:
            HostFault: one has not, so what was measured was not measured beside what was declared.
        """
        for load in self._loads:
            if (why := load.trouble()) is not None:
                raise HostFault(f"neighbour {load.neighbour} did not run to the end of the measurement: {why}")

    def _restarted(self, load: Load, trial: str) -> bool:
        """Start a load again where it does not run; returns whether it did not."""
        why = load.trouble()
        if why is None:
            return False
        self._note("neighbour-restarted", trial, {"neighbour": load.neighbour.name, "reason": why})
        self._tell(f"{trial}: neighbour {load.neighbour} no longer ran ({why}); it is started again")
        try:
            load.restart()
        except StageError as error:
            raise HostFault(
                f"neighbour {load.neighbour} no longer ran ({why}) and could not be started again: {error}",
                barred=error.barred,
            ) from error
        return True

    def end(self) -> list[TrialbedError]:
        """End their loads and put their guests back. Everything is tried, whatever fails.

        Returns:
            What went wrong and has to be told: guests that are not back, a journal that cannot be written.
        """
        errors: list[TrialbedError] = []
        for load in self._loads:
            if not load.stop():
                self._tell(f"neighbour {load.neighbour} was not seen to end; its login is closed, which ends it")
        for place in self._places:
            place.leave()
        for guest, saved in self._saved.items():
            try:
                self._keeper.put_back_changed(guest, self._bench.neighbours[guest], saved, neighbour=True)
            except TrialbedError as error:
                errors.append(error)
        if self._begun:
            try:
                self._note("neighbours-ended", None, {})
            except StoreError as error:
                errors.append(error)
        return errors

    def _tell(self, text: str) -> None:
        self._bench.reporter.tell(Notice(text))
