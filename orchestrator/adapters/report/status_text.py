"""Where a run stands, for a terminal of 80 columns; in one line a change for a log; and as plain values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from rich.console import Group, RenderableType

from orchestrator.adapters.report.json_out import SCHEMA_VERSION, plain_value
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.progress import course, outcome_reason
from orchestrator.adapters.report.run_text import facts_table
from orchestrator.adapters.report.runs_text import bullet
from orchestrator.adapters.report.text import Given, Text
from orchestrator.core.verdict.words import number
from orchestrator.engine.status import InHand, Status
from orchestrator.units import PERIODS, format_duration

_STYLES = {"running": "green", "done": "green", "out of time": "yellow", "interrupted": "yellow"}
_SENTENCE = 1000
#: Stands between one next step and another that would do as well.
_OR = ", or "


def render_status(status: Status, per: str) -> RenderableType:
    """The whole of it."""
    parts: list[RenderableType] = [
        Given(safe(status.title), style="bold"),
        Text(f"run {safe(status.run)}"),
        Text(standing(status), style=_STYLES.get(status.state, "red")),
        Text(),
        *_facts(status, per),
    ]
    if status.not_back:
        parts += [Text(), Text("Not put back", style="bold")]
        for guest in status.not_back:
            parts.append(bullet(f"guest {guest.guest}: {guest.reason}"))
            # For a shell, so each stays one line, however wide the terminal is.
            parts += [Text(f"    {safe(line, _SENTENCE)}", no_wrap=True, overflow="ignore") for line in guest.by_hand]
    if status.reasons:
        parts += [Text(), Text("Last trials that were not measured", style="bold")]
        parts += [bullet(f"{name}: {outcome_reason(outcome, reason)}") for name, outcome, reason in status.reasons]
    return Group(*parts)


def _facts(status: Status, per: str) -> Iterator[RenderableType]:
    """Facts below each other; the last readings drawn, and what is for a shell on one line, however wide it becomes."""
    rows: dict[str, str | Text] = dict(facts(status, per))
    steps = str(rows.pop("do next")).split(_OR)
    if status.trial is not None and "rate" in rows:
        rows["rate"] = course(status.trial.recent, str(rows["rate"]))
    yield facts_table(rows)
    for start, step in zip(("do next", *["or"] * len(steps)), steps, strict=False):
        yield Text(f"  {start:<{max(map(len, rows))}}  {step}", no_wrap=True, overflow="ignore")


def status_line(status: Status) -> str:
    """What matters of it, on one line: for logs and pipes, where a change is a line."""
    parts = [standing(status, heard=False)]
    if status.trial is not None:
        stage = f", {safe(status.trial.stage)}" if status.trial.stage else ""
        parts.append(f"trial {status.trial.number} of {status.planned} {safe(status.trial.id)}{stage}")
    parts.append(f"{status.ended} ended ({_outcomes(status)})")
    return "; ".join(parts)


def status_json(status: Status, problems: list[str]) -> dict[str, Any]:
    """The same as plain values."""
    value: dict[str, Any] = plain_value(asdict(status))
    reasons = [{"trial": name, "outcome": outcome, "reason": reason} for name, outcome, reason in status.reasons]
    left = None if status.left is None else {"least_s": status.left[0], "most_s": status.left[1]}
    return {"schema_version": SCHEMA_VERSION, **value, "reasons": reasons, "left": left, "problems": problems}


def standing(status: Status, *, heard: bool = True) -> str:
    """``running, heard of 1.2 s ago``, ``crashed; last sign of life 2026-11-29 03:12:44 UTC``."""
    why = f": {safe(status.why)}" if status.why else ""
    if status.state == "running" and heard and status.heard_s is not None:
        return f"running, heard of {format_duration(round(status.heard_s, 1))} ago"
    if status.state == "crashed":
        return f"crashed; last sign of life {_utc(status.heard_utc)}"
    if status.state == "not put back":
        return f"ended, and a guest is NOT as it was before{why}"
    return f"{safe(status.state)}{why}"


def _utc(text: str) -> str:
    return f"{safe(text[:19].replace('T', ' '))} UTC"


def facts(status: Status, per: str) -> Iterator[tuple[str, str]]:
    """What is known of it, by name, fit to be shown as it stands."""
    yield "guest", f"{safe(status.guest)} ({safe(status.guest_kind)}), {_guest(status)}"
    yield "began", _utc(status.began_utc)
    if status.trial is not None:
        yield from _in_hand(status, status.trial, per)
    yield "trials", f"{status.ended} of {status.planned} ended: {_outcomes(status)}"
    yield "blocks", f"{status.whole_blocks} of {status.blocks} whole"
    if status.look is not None:
        yield "decision", safe(status.look.told, _SENTENCE)
    yield "time", _time(status)
    if status.ends_utc:
        yield "ends by", _utc(status.ends_utc)
    if status.leases:
        yield "leases", safe(", ".join(status.leases), _SENTENCE)
    yield "kept in", safe(status.location)
    yield "do next", safe(status.next_step) or "nothing; the run goes on by itself"


def _in_hand(status: Status, trial: InHand, per: str) -> Iterator[tuple[str, str]]:
    yield "trial", f"{trial.number} of {status.planned}, block {trial.block}: {safe(trial.id)}"
    if trial.stage:
        since = f", for {format_duration(round(trial.for_s))}" if trial.for_s is not None else ""
        said = f"; {safe(trial.said)}" if trial.said else ""
        yield "stage", f"{safe(trial.stage)}{since}{said}"
    if trial.rate_per_s is not None:
        yield "rate", f"{number(trial.rate_per_s * PERIODS[per])} per {per}"


def _guest(status: Status) -> str:
    if status.guest_back:
        return "as it was before the run"
    if status.state == "running":
        return "in the hands of the run"
    if status.state == "crashed":
        return "not put back, so perhaps NOT as it was before the run"
    return "NOT as it was before the run"


def _outcomes(status: Status) -> str:
    found = ", ".join(f"{count} {word}" for word, count in status.outcomes.items() if count or word == "measured")
    return f"{found}; {status.put_apart} begun in vain" if status.put_apart else found


def _time(status: Status) -> str:
    spent = f"{format_duration(round(status.spent_s))} at work"
    if status.left is None:
        return spent
    least, most = (format_duration(round(bound)) for bound in status.left)
    told = "as trials so far tell" if status.ended else "by the plan"
    return f"{spent}; {least if least == most else f'{least} to {most}'} left, {told}"
