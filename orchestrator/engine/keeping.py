"""Guests as they were before the run: kept before the first change, put back at the end whatever happened."""

from __future__ import annotations

import re
import traceback
from collections.abc import Callable, Mapping, Sequence

from orchestrator.core.design.lab import Lab
from orchestrator.core.record.journal import EventName
from orchestrator.engine.differences import compare
from orchestrator.engine.ports import Clock, Description, Hypervisor, RunWriter, SavedGuest
from orchestrator.errors import RestoreError, StageError, StoreError, TrialbedError, UnreachableError
from orchestrator.units import Seconds

#: Nobody waits for the next trial any more: a host that is away for a moment is given time to come back.
_AGAIN_AFTER_S: tuple[Seconds, ...] = (2.0, 8.0, 20.0)

#: A path that a shell takes as it stands.
_PLAIN = re.compile(r"[A-Za-z0-9_@%+=:,./-]+")

Note = Callable[[EventName, str | None, Mapping[str, object]], None]
"""Told the event's name, the trial and details, before an act and after it: the journal."""


class Restorer:
    """Puts guests back as they were, in a run or long after it.

    Args:
        run: its id, for what a person is told.
        folder: gives the absolute path of the folder that holds a guest's files.
        note: the run's journal; it may raise StoreError.
        clock: for the pauses before a guest is tried to be put back again.
    """

    def __init__(self, run: str, folder: Callable[[str], str], note: Note, clock: Clock) -> None:
        self._run, self._folder, self._note, self._clock = run, folder, note, clock

    def put_back(self, guest: str, hypervisor: Hypervisor, saved: SavedGuest, *, neighbour: bool = False) -> None:
        """Put a guest back, even when the journal can no longer be written: that is told afterwards.

        Raises:
            RestoreError: it could not be put back; the message says why, and what finishes it by hand.
            StoreError: it is back, and the journal could not be written.
        """
        named = _named(guest, neighbour=neighbour)
        unwritten = self._try_note("restore-started", named)
        try:
            self._restore(hypervisor, saved)
            _insist(guest, hypervisor, saved)
        except Exception as error:  # whatever a driver raises, the guest's owner has to be told what to do
            known = isinstance(error, TrialbedError)
            reason = str(error) if known else f"{type(error).__name__}: {error}"
            defect = {} if known else {"defect": traceback.format_exc()}
            lines = by_hand(hypervisor, saved, self._folder(guest))
            raise self._failed(guest, reason, lines, named | defect) from error
        unwritten = unwritten or self._try_note("restored", named)
        if unwritten is not None:
            raise unwritten

    def cannot(self, guest: str, error: StoreError, *, neighbour: bool = False) -> RestoreError:
        """Note a guest of which what was kept cannot be read, so that nothing can be tried; returns what to raise."""
        lines = [f"# what was kept of the guest is in {self._folder(guest)}; bring it back from a copy of the run"]
        return self._failed(guest, str(error), lines, _named(guest, neighbour=neighbour))

    def _failed(self, guest: str, reason: str, lines: list[str], detail: Mapping[str, object]) -> RestoreError:
        self._try_note("restore-failed", {**detail, "reason": reason, "by_hand": lines})
        return RestoreError(not_back(guest, reason, lines, self._place(guest)))

    def _place(self, guest: str) -> str:
        """The run as ``trialbed restore`` takes it from anywhere on this machine: its folder, or else its id."""
        place = self._folder(guest).removesuffix(f"/before/{guest}/definition")
        return place if _PLAIN.fullmatch(place) else self._run if "'" in place else f"'{place}'"

    def put_back_changed(
        self, guest: str, hypervisor: Hypervisor, saved: SavedGuest, *, neighbour: bool = False
    ) -> bool:
        """Put a guest back that is not as it was, or of which that is not known; one that is, is not touched.

        Returns:
            Whether it was touched.

        Raises:
            RestoreError, StoreError: as :meth:`put_back`.
        """
        try:
            touched = compare(guest, saved, hypervisor).found != "same"
        except Exception:  # noqa: BLE001 - whatever a driver raises at a mere look, putting back is tried
            touched = True
        if touched:
            self.put_back(guest, hypervisor, saved, neighbour=neighbour)
        else:
            self._note("restored", None, _named(guest, neighbour=neighbour))
        return touched

    def _restore(self, hypervisor: Hypervisor, saved: SavedGuest) -> None:
        for pause_s in _AGAIN_AFTER_S:
            try:
                return hypervisor.restore(saved)
            except (RestoreError, StageError) as error:
                if not error.may_pass:
                    raise
            self._clock.sleep(pause_s)
        return hypervisor.restore(saved)

    def _try_note(self, event: EventName, detail: Mapping[str, object]) -> StoreError | None:
        try:
            self._note(event, None, detail)
        except StoreError as error:
            return error
        return None


class Keeper(Restorer):
    """Keeps the definitions of guests in a run, and puts guests back as they were.

    Args:
        writer: the run in the store.
        note: the run's journal.
        clock: for the pauses before a guest is tried to be put back again.
    """

    def __init__(self, writer: RunWriter, note: Note, clock: Clock) -> None:
        super().__init__(writer.id, writer.before_folder, note, clock)
        self._writer = writer

    def keep(self, guest: str, hypervisor: Hypervisor) -> SavedGuest:
        """A guest as it was before the run: as the run kept it, or else as it is now, which is kept then.

        Raises:
            UnreachableError: the definition cannot be read, or is not its owner's. Nothing was changed.
        """
        saved = self._writer.saved_guest(guest)
        if saved is not None:
            return saved
        refuse_shaped(guest, describe_first(hypervisor, guest))
        saved = save_first(hypervisor, guest)
        self._writer.keep_before(guest, saved)
        return saved


def _named(guest: str, *, neighbour: bool) -> dict[str, object]:
    """A guest as events have it: those about trials do not name the measured one, so a neighbour's is marked."""
    return {"guest": guest, "neighbour": True} if neighbour else {"guest": guest}


def _insist(guest: str, hypervisor: Hypervisor, saved: SavedGuest) -> None:
    """A driver that reports success is not believed, where its host can be asked."""
    if (found := compare(guest, saved, hypervisor)).found == "differs":
        raise RestoreError(f"the driver reported success, but {'; '.join(found.lines)}")


def by_hand(hypervisor: Hypervisor, saved: SavedGuest, folder: str) -> list[str]:
    """The driver's lines for a shell; a driver that fails at this as well has none."""
    try:
        return list(hypervisor.by_hand(saved, folder))
    except Exception:  # noqa: BLE001 - whatever a driver raises, what went wrong before is what has to be told
        return [f"# the driver cannot say how; the guest's definition is in {folder}"]


def not_back(guest: str, reason: str, lines: Sequence[str], run: str) -> str:
    """What a person is told of a guest that could not be put back: which, why, and what finishes it.

    Args:
        guest: its name in the lab.
        reason: why, in words.
        lines: what finishes it by hand, for a shell; empty where the guest ended with the program.
        run: its folder or id, as a shell takes it.
    """
    first = f"NOT PUT BACK: guest {guest!r} is not as it was before the run: {reason}"
    if not lines:
        return f"{first}\nNothing is left to do: such a guest ends with the program that made it."
    return "\n".join(
        (
            first,
            f"Once that is mended: trialbed restore {run}",
            "Or by hand, in a shell on this machine:",
            *(f"  {line}" for line in lines),
        )
    )


def place_of(lab: Lab, guest: str) -> dict[str, str]:
    """Where a guest is, as the journal has it: its host in the lab, and its name there."""
    declared = lab.guests[guest]
    return {"host": declared.host, "domain": declared.domain or guest}


def describe_first(hypervisor: Hypervisor, guest: str) -> Description:
    """The first word with a guest's host, before anything is changed.

    Raises:
        UnreachableError: the host does not answer.
    """
    try:
        return hypervisor.describe()
    except StageError as error:
        raise UnreachableError(f"guest {guest!r} could not be looked at, so nothing was changed: {error}") from error


def save_first(hypervisor: Hypervisor, guest: str) -> SavedGuest:
    """A guest as it is, before anything is changed.

    Raises:
        UnreachableError: its definition cannot be read, or could not be put back.
    """
    try:
        return hypervisor.save()
    except StageError as error:
        raise UnreachableError(
            f"guest {guest!r} could not be kept as it is, so nothing was changed: {error}"
        ) from error


def refuse_shaped(guest: str, description: Description) -> None:
    """Refuse a guest whose definition is a run's: kept as its owner's, it would be what the guest is put back to.

    Raises:
        UnreachableError: with what to do. Nothing was changed.
    """
    if (shape := description.shaped_as) is not None:
        raise UnreachableError(
            f"guest {guest!r} is in shape {shape} of another run, so nothing was changed: that run is under way, or "
            "was killed before it put the guest back; wait for it, or put the guest back (trialbed restore RUN)"
        )


def raise_worst(errors: Sequence[TrialbedError]) -> None:
    """Raise what went wrong while guests were put back as one error: a guest that is not back drowns out the rest."""
    lost = [error for error in errors if isinstance(error, RestoreError)]
    if lost:
        raise RestoreError("\n".join(str(error) for error in lost)) from lost[0]
    if errors:
        raise errors[0]
