"""What became of guests that were put back, and how they stand against what was kept: for people and for programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text
from orchestrator.engine.differences import Comparison
from orchestrator.engine.restoring import PutBack

_SCHEMA_VERSION = 1
_FOUND = {
    "same": "as it was before the run",
    "differs": "not as it was before the run",
    "unknown": "not known: its host could not be asked",
}


def render_check(run: str, found: Sequence[Comparison]) -> Text:
    """A line a guest, and a line a difference."""
    return _page(run, found, _checked)


def render_restored(run: str, done: Sequence[PutBack]) -> Text:
    """A line a guest."""
    return _page(run, done, _restored)


def restore_json(run: str, found: Sequence[Comparison | PutBack]) -> dict[str, Any]:
    """The same for programs."""
    return {"schema_version": _SCHEMA_VERSION, "run": run, "guests": [_guest_json(guest) for guest in found]}


def _page(run: str, guests: Sequence[Any], lines: Any) -> Text:
    if not guests:
        return Text(f"run {safe(run)} keeps no guest: it ended before it had looked at one, and changed nothing")
    return Text("\n".join(line for guest in guests for line in lines(guest)))


def _checked(found: Comparison) -> Iterator[str]:
    yield f"{safe(found.guest)}: {_FOUND[found.found]}"
    yield from (f"  {safe(line, 2000)}" for line in found.lines)


def _restored(done: PutBack) -> Iterator[str]:
    power = "switched on" if done.running else "switched off"
    how = (
        "put back, definition and power state" if done.touched else "was as before the run already; it was not touched"
    )
    yield f"{safe(done.guest)}: {how} ({power})"


def _guest_json(guest: Comparison | PutBack) -> dict[str, Any]:
    if isinstance(guest, PutBack):
        return {"guest": guest.guest, "running": guest.running, "touched": guest.touched}
    return {"guest": guest.guest, "found": guest.found, "lines": list(guest.lines)}
