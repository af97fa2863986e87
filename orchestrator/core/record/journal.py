"""What happens in a run, as events, and the fold of the events to the run's progress. Resume is this fold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field

from orchestrator.core.measure.results import Record
from orchestrator.core.record.discarded import CUT_SHORT

EventName = Literal[
    "run-started",
    "guest-saved",
    "neighbours-started",
    "neighbour-restarted",
    "neighbours-ended",
    "trial-started",
    "guest-defined",
    "stage-started",
    "stage-ended",
    "stage-failed",
    "trial-ended",
    "trial-discarded",
    "waited-for-quiet",
    "blocks-judged",
    "clock-stepped",
    "slept",
    "time-up",
    "guest-given-up",
    "leases-wanted",
    "leases-taken",
    "lease-lost",
    "leases-released",
    "changes-accepted",
    "notice",
    "restore-started",
    "restored",
    "restore-failed",
    "run-ended",
    "run-interrupted",
    "run-resumed",
]


class Event(Record):
    """One line of ``journal.jsonl``."""

    time_utc: str
    event: EventName
    trial: str | None = None
    detail: dict[str, Any] = Field(default_factory=dict)


def cut_short(last: Event, trial: str) -> Event:
    """What is written when a run is opened again: the trial that was in hand does not count.

    Args:
        last: the journal's last event; the trial was given up no earlier.
        trial: the one that was in hand.
    """
    return Event(time_utc=last.time_utc, event="trial-discarded", trial=trial, detail={"reason": CUT_SHORT})


@dataclass(frozen=True)
class Look:
    """A look at the evidence after a whole block, of a run that ends once it is decided.

    Attributes:
        blocks: whole blocks that were judged.
        at_most: how many the plan allows.
        enough: whether the run ends with them.
        decided: whether every load is decided; a run may also end because further blocks would hardly decide the rest.
        why: in words.
    """

    blocks: int
    at_most: int
    enough: bool
    decided: bool
    why: str

    @property
    def sentence(self) -> str:
        """``decided after 4 of at most 12 blocks``."""
        ended = self.enough and self.blocks < self.at_most
        state = "decided" if self.decided else "ended undecided" if ended else "not decided"
        after = f"{self.blocks} of at most {self.at_most}" if self.blocks < self.at_most else f"all {self.at_most}"
        return f"{state} after {after} blocks"

    @property
    def told(self) -> str:
        """The same with the reason."""
        return f"{self.sentence}. {self.why}"


@dataclass(frozen=True)
class NotBack:
    """A guest that could not be put back, as the journal has it.

    Attributes:
        guest: its name in the lab.
        reason: in words.
        by_hand: lines for a shell that finish it; empty where nothing is left to do.
    """

    guest: str
    reason: str
    by_hand: tuple[str, ...]


@dataclass(frozen=True)
class Progress:
    """Where a run stands.

    Attributes:
        ended: ids of trials that need not be run again, in the order in which they ended.
        in_hand: the trial that was begun and not ended, if any.
        guest_is_back: whether the guest, and those of its neighbours, are as they were before the run.
        state: see :class:`orchestrator.core.record.run.StoredRun`.
        why: what ended the run before its last trial, in words; empty where nothing did.
        look: the last look at the evidence between blocks; ``None`` where the number of blocks is fixed.
        away: guests that have been changed and are not back; the measured one is called ``""`` here.
        not_back: of these, those that were tried to be put back in vain.
        accepted: what had changed when the run was resumed, and was accepted, a sentence each.
    """

    ended: tuple[str, ...]
    in_hand: str | None
    guest_is_back: bool
    state: str
    look: Look | None = None
    why: str = ""
    away: frozenset[str] = frozenset()
    not_back: tuple[NotBack, ...] = ()
    accepted: tuple[str, ...] = ()


#: The state of a run whose journal has no end; which of the two it is, the journal cannot tell.
OPEN = "running or crashed"
#: How a run may end before its last trial, other than by an interrupt.
EARLY_ENDS = ("interrupted", "out of time", "given up")
#: Why a run was ended whose guest is not back; ``trialbed restore`` may put it back later.
NOT_BACK = "a guest could not be put back"
#: Stands for the measured guest, which events about trials do not name; a guest cannot be called so.
_MEASURED = ""


def progress(events: Iterable[Event]) -> Progress:
    """Fold a journal to where the run stands. An unknown order of events is harmless: each event has one meaning."""
    ended: dict[str, None] = {}
    in_hand: str | None = None
    away: set[str] = set()
    state, why = OPEN, ""
    not_back: dict[str, NotBack] = {}
    events = tuple(events)
    for event in events:
        match event.event:
            case "trial-started":
                in_hand = event.trial
                away.add(_MEASURED)
            case "neighbours-started":
                away.update(_texts(event, "guests"))
            case "trial-ended" if event.trial is not None:
                ended[event.trial] = None
                in_hand = None
            case "trial-discarded":
                in_hand = None
            case "restored":
                guest = str(event.detail.get("guest"))
                away.discard(guest if guest in away or event.detail.get("neighbour") is True else _MEASURED)
                not_back.pop(guest, None)
            case "restore-failed":
                guest = str(event.detail.get("guest"))
                not_back[guest] = NotBack(guest, str(event.detail.get("reason", "")), tuple(_texts(event, "by_hand")))
            case "run-ended" | "run-resumed":
                state, why = "done" if event.event == "run-ended" else OPEN, ""
            case "run-interrupted":
                state, why, in_hand = *_early_end(event), None
            case _:
                pass
    back = not away and not not_back
    return Progress(
        tuple(ended),
        in_hand,
        back,
        state,
        _last_look(events),
        f"{NOT_BACK} at first" if back and why == NOT_BACK else why,
        frozenset(away),
        tuple(not_back.values()),
        tuple(text for event in events if event.event == "changes-accepted" for text in _texts(event, "changes")),
    )


def _early_end(event: Event) -> tuple[str, str]:
    """The state of a run that ended before its last trial, and why."""
    state = str(event.detail.get("state"))
    return state if state in EARLY_ENDS else "interrupted", str(event.detail.get("why", ""))


def accepted_inputs(events: Iterable[Event]) -> dict[str, str]:
    """Digests of inputs that were changed while the run lay, and accepted: they stand instead of the record's."""
    digests: dict[str, str] = {}
    for event in events:
        told = event.detail.get("inputs_sha256")
        if event.event == "changes-accepted" and isinstance(told, dict):
            digests |= {str(name): str(digest) for name, digest in told.items()}
    return digests


def _last_look(events: Sequence[Event]) -> Look | None:
    judged = (_look(event) for event in reversed(events) if event.event == "blocks-judged")
    return next((look for look in judged if look is not None), None)


def _look(event: Event) -> Look | None:
    blocks, at_most = (event.detail.get(key) for key in ("blocks", "at_most"))
    enough, decided = (event.detail.get(key) for key in ("enough", "decided"))
    if not (isinstance(blocks, int) and isinstance(at_most, int)):
        return None
    if not (isinstance(enough, bool) and isinstance(decided, bool)):
        return None
    return Look(blocks, at_most, enough, decided, str(event.detail.get("why", "")))


def _texts(event: Event, key: str) -> list[str]:
    named = event.detail.get(key)
    return [str(item) for item in named] if isinstance(named, list | tuple) else []
