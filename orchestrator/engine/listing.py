"""What a listing of runs tells of each: a name short enough to type, and how far it got."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from orchestrator.core.record.run_line import RunLine, Tally

#: A run's id begins with its start to the second; a shorter name would stop being unique with the next run.
_SHORTEST = len("20260801T101112Z")


@dataclass(frozen=True)
class Listed:
    """One run in a listing.

    Attributes:
        short: the shortest beginning of the id that names this run only (and at least its time).
        standing: the state with what decided, where the evidence ends the run.
    """

    short: str
    id: str
    started_utc: str
    title: str
    guest: str
    guest_kind: str
    tally: Tally
    state: str
    standing: str
    location: str


def listing(runs: Sequence[RunLine]) -> list[Listed]:
    """What is told of each run, in the order given."""
    short = short_names([run.id for run in runs])
    return [
        Listed(
            short=short[run.id],
            id=run.id,
            started_utc=run.started_utc,
            title=run.title,
            guest=run.guest,
            guest_kind=run.guest_kind,
            tally=run.tally,
            state=run.state,
            standing=run.standing,
            location=run.location,
        )
        for run in runs
    ]


def short_names(ids: Iterable[str]) -> dict[str, str]:
    """The shortest beginning of each id that no other id has; the whole id where another one continues it."""
    ordered = sorted(set(ids))
    names: dict[str, str] = {}
    for position, name in enumerate(ordered):
        neighbours = ordered[max(position - 1, 0) : position] + ordered[position + 1 : position + 2]
        shared = max((_shared(name, other) for other in neighbours), default=0)
        names[name] = name[: max(shared + 1, _SHORTEST)]
    return names


def _shared(one: str, other: str) -> int:
    return next(
        (at for at, pair in enumerate(zip(one, other, strict=False)) if pair[0] != pair[1]), min(len(one), len(other))
    )
