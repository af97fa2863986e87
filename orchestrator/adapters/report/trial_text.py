"""One trial for a person: what came of it, how it ran, and whether to believe it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.explain import render_explanation
from orchestrator.adapters.report.figures import (
    average_text,
    known_within,
    rate_text,
    share_text,
    steady_lines,
    window_text,
)
from orchestrator.adapters.report.imported_text import since_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.plot import Plot
from orchestrator.adapters.report.run_text import facts_table, heading
from orchestrator.adapters.report.runs_text import bullet, problems_text
from orchestrator.adapters.report.text import Text
from orchestrator.core.measure.method import Step
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import number
from orchestrator.engine.inside import count_cpus
from orchestrator.engine.ports import TrialData
from orchestrator.engine.showing import rates, reader_of
from orchestrator.units import PERIODS, format_duration, format_size

_LOG_LINES = 10
_LOG_WIDTH = 200
_CHECK_MARKS = {"ok": ("+", "green"), "flag": ("!", "yellow"), "unavailable": ("?", "dim")}


def render_trial(  # noqa: PLR0913 - what may be told beside the trial
    run: StoredRun,
    trial: TrialRecord,
    data: TrialData,
    problems: Sequence[str] = (),
    per: str | None = None,
    *,
    explanation: Sequence[Step] = (),
) -> RenderableType:
    """A trial.

    Args:
        run: the run it belongs to.
        trial: its record.
        data: its series and log.
        problems: what the store found wrong while reading them.
        per: period of the throughput; that of the workload's own figures when not given.
        explanation: how its steady state and its mean were found, where that is wanted.
    """
    per = per if per is not None else reader_of(run.record, trial.workload)[1]
    parts: list[RenderableType] = [
        Text(f"Trial {safe(trial.id)}", style="bold"),
        Text(f"of run {safe(run.record.id)}"),
        facts_table(about_trial(run, trial)),
        *_throughput(run, trial, data, per),
    ]
    if explanation:
        parts.append(render_explanation(explanation))
    if trial.summary is not None:
        parts += _summary(trial.summary)
    parts += [*_stages(trial), *_clocks(trial)]
    if trial.seen_inside:
        parts += [
            heading("Seen from inside the guest"),
            facts_table(dict(seen_inside(*seen) for seen in trial.seen_inside.items())),
        ]
    parts += [*(_log(data.log) if run.record.origin == "measured" else ()), *problems_text(problems)]
    return Group(*parts)


def about_trial(run: StoredRun, trial: TrialRecord) -> dict[str, str]:
    """Which trial it is and what became of it, by name."""
    began, ended = safe(trial.started_utc[:19].replace("T", " ")), safe(trial.ended_utc[11:19])
    facts = {
        "outcome": safe(f"{trial.outcome}{_kind(trial)}: {trial.reason}", 1000),
        "cell": safe(f"shape {trial.shape}, workload {trial.workload}, threads {trial.threads}"),
        "place": f"trial {trial.number} of {len(run.needed)}, block {trial.block}",
        "time": f"{began} to {ended} UTC{_length(trial)}",
        "guest": f"{safe(run.record.guest)}: {safe(run.record.guest_kind)}",
    }
    if not run.record.in_blocks:
        facts["place"] = f"reading {trial.number} of {len(run.needed)}, number {trial.block} of its cell"
    if run.record.origin == "imported":
        facts["time"] = f"not known; the run is dated {began} UTC"
    if trial.fault is not None:
        facts["failed"] = safe(f"in stage {trial.failed_stage}; at fault is {_FAULTS[trial.fault]}")
    return facts


def _kind(trial: TrialRecord) -> str:
    """`` (drift)``: why a trial never became steady, in a word or two."""
    kind = trial.summary.kind if trial.summary is not None else None
    return f" ({kind})" if kind is not None else ""


def seen_inside(key: str, value: str) -> tuple[str, str]:
    """A fact in words: ``online 0`` is the kernel's list of CPUs, and would be read as their number."""
    text = safe(value)
    with suppress(ValueError, OverflowError):
        if key == "online":
            text = f"{count_cpus(value)} ({text})"
        elif key == "memory_kib":
            text = format_size(int(value) * 1024)
        elif key == "uptime_s":
            text = format_duration(float(value))
    return _SEEN.get(key, safe(key)), text


_SEEN = {
    "online": "CPUs online",
    "memory_kib": "memory",
    "boot_id": "boot id",
    "clocksource": "clock source",
    "kernel": "kernel",
    "uptime_s": "uptime",
}
_FAULTS = {"host": "the host", "guest": "the guest", "workload": "the workload", "internal": "trialbed itself"}


def _length(trial: TrialRecord) -> str:
    """How long it took, by a clock that is never set; by the wall clock where an older record does not tell."""
    if trial.seconds is not None:
        return f", {format_duration(trial.seconds)}"
    try:
        spent = datetime.fromisoformat(trial.ended_utc) - datetime.fromisoformat(trial.started_utc)
    except (ValueError, TypeError):
        return ""
    return f", {format_duration(max(spent.total_seconds(), 0.0))}"


def _throughput(run: StoredRun, trial: TrialRecord, data: TrialData, per: str) -> list[RenderableType]:
    series = rates(run, trial, data.throughput)
    summary = trial.summary
    parts: list[RenderableType] = [heading(f"Throughput, per {per}")]
    if summary is not None and summary.throughput is not None:
        mean = summary.throughput
        samples = "" if mean.effective_samples is None else f", from {mean.effective_samples:.0f} effective samples"
        over = "" if summary.window is None else f" over {window_text(summary.window)} since {since_text(run.record)}"
        parts.append(_indented(f"{rate_text(mean, per)}{over}{samples}"))
    if summary is not None:
        parts += [_indented(line) for line in steady_lines(summary, since_text(run.record))]
    window = summary.window if summary is not None else None
    if run.record.origin == "measured" or data.throughput:
        parts.append(Plot(series, PERIODS[per], window, since=since_text(run.record)))
    return parts + [bullet(problem) for problem in series.problems]


def _indented(text: str) -> RenderableType:
    return Padding(Text(text), (0, 0, 0, 2))


def _summary(summary: TrialSummary) -> list[RenderableType]:
    parts: list[RenderableType] = []
    if summary.vcpus:
        table = _table("vCPU", "run %", "wait %", "idle %", "known within")
        for vcpu in summary.vcpus:
            shares = [share_text(share) for share in (vcpu.run, vcpu.wait, vcpu.idle)]
            _row(table, str(vcpu.vcpu), *shares, f"± {known_within(vcpu.uncertainty)}")
        parts += [heading("Where each vCPU's time went, in the steady window"), table]
    if summary.vcpus_average is not None:
        average = Text(f"  {average_text(summary.vcpus_average)}")
        parts += [heading("Where the vCPUs' time went on average: run/wait/idle %"), average]
    cost, busy, steal = summary.cpu_seconds_per_operation, summary.host_busy, summary.guest_steal
    sides = {
        "CPU time an operation": "unavailable" if cost is None else f"{number(cost * 1000)} ms",
        "host busy": "unavailable" if busy is None else f"{share_text(busy)} % of all its CPUs",
        "steal seen by the guest": "unavailable" if steal is None else f"{share_text(steal)} %",
    }
    parts += [Text(""), facts_table(sides), heading("Checks")]
    table = Table.grid(padding=(0, 2, 0, 0))
    for _ in range(3):
        table.add_column(overflow="fold")
    for check in summary.checks:
        mark, style = _CHECK_MARKS[check.state]
        table.add_row(Text(f"  {mark} {check.state}", style=style), Text(safe(check.title)), Text(safe(check.detail)))
    return [*parts, table if summary.checks else Text("  none were made")]


def _stages(trial: TrialRecord) -> list[RenderableType]:
    if not trial.stages:
        return []
    table = _table("stage", "time", "tries")
    for stage in trial.stages:
        _row(table, safe(stage.stage), format_duration(stage.seconds), str(stage.attempts))
    return [heading("Stages"), table]


def _clocks(trial: TrialRecord) -> list[RenderableType]:
    if not trial.clocks:
        return []
    table = _table("clock of", "taken", "ahead of the controller's by", "known within", "exchanges")
    for clock in trial.clocks:
        known = f"± {clock.uncertainty_s * 1e6:.0f} µs"
        _row(table, clock.machine, clock.when, f"{clock.offset_s:.6f} s", known, str(clock.exchanges))
    return [heading("Clocks"), table]


def _table(*names: str) -> Table:
    """A plain table: the first column is text, the others are figures."""
    table = Table(box=None, padding=(0, 1, 0, 2), header_style="italic")
    for position, name in enumerate(names):
        table.add_column(name, justify="left" if position == 0 else "right")
    return table


def _row(table: Table, *cells: str) -> None:
    table.add_row(*(Text(cell) for cell in cells))


def _log(log: str) -> list[RenderableType]:
    lines = log.rstrip("\n").split("\n") if log.strip() else []
    if not lines:
        return [heading("The workload printed nothing")]
    cut = lines[-_LOG_LINES:]
    title = f"The last {len(cut)} of {len(lines)} lines that the workload printed, escaped"
    return [heading(title), *(Padding(Text(safe(line, _LOG_WIDTH)), (0, 0, 0, 2)) for line in cut)]
