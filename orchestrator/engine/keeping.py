"""Guests as they were before the run: kept before the first change, put back at the end whatever happened."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence

from orchestrator.core.record.journal import EventName
from orchestrator.engine.ports import Clock, Description, Hypervisor, RunWriter, SavedGuest
from orchestrator.errors import RestoreError, StageError, StoreError, TrialbedError, UnreachableError
from orchestrator.units import Seconds

#: Nobody waits for the next trial any more: a host that is away for a moment is given time to come back.
_AGAIN_AFTER_S: tuple[Seconds, ...] = (2.0, 8.0, 20.0)

Note = Callable[[EventName, str | None, Mapping[str, object]], None]
"""Told the event's name, the trial and details, before an act and after it: the journal."""


class Keeper:
    """Keeps the definitions of guests in a run, and puts guests back as they were.

    Args:
        writer: the run in the store.
        note: the run's journal.
        clock: for the pauses before a guest is tried to be put back again.
    """

    def __init__(self, writer: RunWriter, note: Note, clock: Clock) -> None:
        self._writer, self._note, self._clock = writer, note, clock

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

    def put_back(self, guest: str, hypervisor: Hypervisor, saved: SavedGuest) -> None:
        """Put a guest back, even when the journal can no longer be written: that is told afterwards.

        Raises:
            RestoreError: it could not be put back; the message says what to do by hand.
            StoreError: it is back, and the journal could not be written.
        """
        unwritten = self._try_note("restore-started", {"guest": guest})
        try:
            self._restore(hypervisor, saved)
        except Exception as error:  # whatever a driver raises, the guest's owner has to be told what to do
            known = isinstance(error, TrialbedError)
            reason = str(error) if known else f"{type(error).__name__}: {error}"
            defect = {} if known else {"defect": traceback.format_exc()}
            self._try_note("restore-failed", {"guest": guest, "reason": reason} | defect)
            raise RestoreError(
                f"guest {guest!r} could not be put back as it was: {reason}. "
                f"Its definition before the run is kept in {self._writer.location}/before/{guest}: define it from "
                "there by hand"
            ) from error
        unwritten = unwritten or self._try_note("restored", {"guest": guest})
        if unwritten is not None:
            raise unwritten

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
            "was killed before it put the guest back; wait for it, or go on with it (trialbed resume RUN)"
        )


def raise_worst(errors: Sequence[TrialbedError]) -> None:
    """Raise what went wrong while guests were put back as one error: a guest that is not back drowns out the rest."""
    lost = [error for error in errors if isinstance(error, RestoreError)]
    if lost:
        raise RestoreError("\n".join(str(error) for error in lost)) from lost[0]
    if errors:
        raise errors[0]
