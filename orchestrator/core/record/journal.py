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
    "blocks-judged",
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
class Progress:
    """Where a run stands.

    Attributes:
        ended: ids of trials that need not be run again, in the order in which they ended.
        in_hand: the trial that was begun and not ended, if any.
        guest_is_back: whether the guest, and those of its neighbours, are as they were before the run.
        state: see :class:`orchestrator.core.record.run.StoredRun`.
        look: the last look at the evidence between blocks; ``None`` where the number of blocks is fixed.
    """

    ended: tuple[str, ...]
    in_hand: str | None
    guest_is_back: bool
    state: str
    look: Look | None = None


#: Stands for the measured guest, which events about trials do not name; a guest cannot be called so.
_MEASURED = ""


def progress(events: Iterable[Event]) -> Progress:
    """Fold a journal to where the run stands. An unknown order of events is harmless: each event has one meaning."""
    ended: dict[str, None] = {}
    in_hand: str | None = None
    away: set[str] = set()
    state = "running or crashed"
    look: Look | None = None
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
            case "blocks-judged":
                look = _look(event) or look
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
    return Progress(tuple(ended), in_hand, not away, state, look)


def _look(event: Event) -> Look | None:
    blocks, at_most = (event.detail.get(key) for key in ("blocks", "at_most"))
    enough, decided = (event.detail.get(key) for key in ("enough", "decided"))
    if not (isinstance(blocks, int) and isinstance(at_most, int)):
        return None
    if not (isinstance(enough, bool) and isinstance(decided, bool)):
        return None
    return Look(blocks, at_most, enough, decided, str(event.detail.get("why", "")))


def _guests(event: Event) -> list[str]:
    named = event.detail.get("guests")
    return [str(guest) for guest in named] if isinstance(named, list) else []
