"""Putting the guests of a run back without going on with it, from wherever there is a copy of the run."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from orchestrator.core.record.journal import Event, EventName
from orchestrator.core.record.run import StoredRun
from orchestrator.engine.differences import Comparison, compare
from orchestrator.engine.keeping import Note, Restorer, raise_worst
from orchestrator.engine.ports import Clock, Hypervisor, Leases, RunStore, RunWriter, SavedGuest
from orchestrator.errors import RestoreError, RunBusyError, StoreError, TrialbedError
from orchestrator.units import utc_text

Say = Callable[[str], None]

_IN_PROGRESS = "the run is in progress: the guest is in its hands, and is put back at its end"


@dataclass(frozen=True)
class PutBack:
    """What became of a guest.

    Attributes:
        guest: its name in the lab.
        running: the power state that it has again.
        touched: whether it had to be changed for that.
    """

    guest: str
    running: bool
    touched: bool


class Restoration:
    """A stored run and the drivers of its guests.

    Args:
        store: the store that it is in.
        run: as read from there.
        hypervisors: the drivers bound to its guests, by name; the measured one last.
    """

    def __init__(self, store: RunStore, run: StoredRun, hypervisors: Mapping[str, Hypervisor]) -> None:
        self._store, self._run, self._hypervisors = store, run, hypervisors
        self._writer: RunWriter | None = None

    @property
    def guests(self) -> list[str]:
        """Its guests, in the order in which they are put back."""
        return [*self._hypervisors]

    def check(self) -> list[Comparison]:
        """Compare every guest with how it was kept; changes nothing, neither there nor in the store.

        Raises:
            StoreError: what was kept is damaged.
        """
        found = [compare(guest, self._saved(guest), driver) for guest, driver in self._hypervisors.items()]
        if self._run.state != "running":
            return found
        # What a driver sees from another process than the run's may be nothing of it, as of a process guest.
        return [replace(each, found="differs", lines=(_IN_PROGRESS, *each.lines)) for each in found]

    def put_back(self, leases: Leases, *, title: str, share_host: bool, clock: Clock, say: Say) -> list[PutBack]:
        """Put every guest back that is not as it was, each whatever becomes of the others.

        Args:
            leases: of the guests and their host; those of the run itself are taken over.
            title: of the run.
            share_host: as in its plan.
            clock: of this machine.
            say: is told what a person should know besides.

        Returns:
            What became of each.

        Raises:
            RunBusyError: the run is in progress.
            UnreachableError: somebody else has guest or host.
            RestoreError: a guest is not back, also where what was kept of it is damaged; the message says what to do.
            StoreError: all guests are back, and the journal could not be written.
        """
        self._refuse_while_in_progress()
        try:
            self._writer = self._store.writer(self._run)
        except RunBusyError:
            raise
        except StoreError as error:
            say(f"what is done now is not written into the run's journal: {error}")
        for notice in leases.take(self._run.began_as or self._run.record.id, title, share_host=share_host):
            say(notice)
        note = self._noting(clock)
        with suppress(StoreError):  # guests come first; a disk that refuses is met again, and told, below
            note("leases-taken", None, {"leases": list(leases.held)})
        done, errors = self._each(Restorer(self._run.record.id, self._folder, note, clock))
        try:
            self._let_go(leases, note, say, back=not any(isinstance(error, RestoreError) for error in errors))
            if self._writer is not None:
                self._writer.seal()
        except StoreError as error:
            errors.append(error)
        if errors and all(isinstance(error, StoreError) for error in errors):
            say("every guest is as it was before the run; only what was done could not be kept:")
        raise_worst(errors)
        return done

    def _let_go(self, leases: Leases, note: Note, say: Say, *, back: bool) -> None:
        if not back:
            leases.leave()  # who asks for them learns that a guest is not back, and from which run
            return
        if (trouble := leases.release()) is not None:
            say(trouble)
        note("leases-released", None, {} if trouble is None else {"trouble": trouble})

    def _refuse_while_in_progress(self) -> None:
        if self._run.state == "running":
            raise RunBusyError(
                f"run {self._run.record.id} is in progress: its guests are in its hands, and it puts them back at its "
                "end; end it (Ctrl-C in its terminal, or SIGTERM to its process) or wait"
            )

    def _each(self, restorer: Restorer) -> tuple[list[PutBack], list[TrialbedError]]:
        done: list[PutBack] = []
        errors: list[TrialbedError] = []
        for guest, driver in self._hypervisors.items():
            neighbour = guest != self._run.record.guest
            try:
                saved = self._saved(guest)
            except StoreError as error:
                errors.append(restorer.cannot(guest, error, neighbour=neighbour))
                continue
            try:
                touched = restorer.put_back_changed(guest, driver, saved, neighbour=neighbour)
                done.append(PutBack(guest, saved.running, touched))
            except TrialbedError as error:
                errors.append(error)
        return done, errors

    def _saved(self, guest: str) -> SavedGuest:
        saved = self._store.saved_guest(self._run, guest)
        if saved is None:
            raise StoreError(f"run {self._run.record.id} does not keep guest {guest!r} as it was")
        return saved

    def _folder(self, guest: str) -> str:
        return self._store.before_folder(self._run, guest)

    def _noting(self, clock: Clock) -> Note:
        def note(event: EventName, trial: str | None, detail: Mapping[str, object]) -> None:
            if self._writer is not None:
                words = {"by": "trialbed restore"} | dict(detail)
                self._writer.append(Event(time_utc=utc_text(clock.now()), event=event, trial=trial, detail=words))

        return note


def in_order(guests: Sequence[str], measured: str) -> list[str]:
    """The order in which guests are put back: the measured one last, as at the end of a run."""
    return sorted(guests, key=lambda guest: (guest == measured, guest))
