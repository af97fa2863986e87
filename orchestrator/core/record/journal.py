"""What happens in a run, as events, and the fold of the events to the run's progress. Resume is this fold."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field

from orchestrator.core.measure.results import Record

EventName = Literal[
    "run-started",
    "guest-saved",
    "neighbours-started",
    "neighbour-restarted",
    "neighbours-ended",
    "trial-started",
    "stage-started",
    "stage-failed",
    "trial-ended",
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


@dataclass(frozen=True)
class Progress:
    """Where a run stands.

    Attributes:
        ended: ids of trials that need not be run again, in the order in which they ended.
        in_hand: the trial that was begun and not ended, if any.
        guest_is_back: whether the guest, and those of its neighbours, are as they were before the run.
        state: see :class:`orchestrator.core.record.run.StoredRun`.
    """

    ended: tuple[str, ...]
    in_hand: str | None
    guest_is_back: bool
    state: str


#: Stands for the measured guest, which events about trials do not name; a guest cannot be called so.
_MEASURED = ""


def progress(events: Iterable[Event]) -> Progress:
    """Fold a journal to where the run stands. An unknown order of events is harmless: each event has one meaning."""
    ended: dict[str, None] = {}
    in_hand: str | None = None
    away: set[str] = set()
    state = "running or crashed"
    for event in events:
        match event.event:
            case "trial-started":
                in_hand = event.trial
                away.add(_MEASURED)
            case "neighbours-started":
                away.update(_guests(event))
            case "trial-ended" if event.trial is not None:
                ended[event.trial] = None
                in_hand = None
            case "restored":
                guest = str(event.detail.get("guest"))
                away.discard(guest if guest in away else _MEASURED)
            case "run-ended":
                state = "done"
            case "run-interrupted":
                state, in_hand = "interrupted", None
            case "run-resumed":
                state = "running or crashed"
            case _:
                pass
    return Progress(tuple(ended), in_hand, not away, state)


def _guests(event: Event) -> list[str]:
    named = event.detail.get("guests")
    return [str(guest) for guest in named] if isinstance(named, list) else []
