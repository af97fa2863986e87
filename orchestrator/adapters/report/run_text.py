"""One run for a person: what was asked, where it was measured, each trial, and the verdict."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report.figures import average_text, rate_text, vcpus_text, window_text
from orchestrator.adapters.report.imported_text import imported_facts, since_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import aligned, minute, problems_text, tally_text
from orchestrator.adapters.report.text import Given, Text, as_drawn
from orchestrator.adapters.report.verdict_tables import WIDE_PAGE
from orchestrator.core.design.neighbour import described, neighbours_in
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.facts import HYPERVISOR_FACTS, MACHINE_FACTS
from orchestrator.core.record.journal import OPEN
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.run_line import tally
from orchestrator.core.record.stored_plan import StoredPlan
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.showing import reader_of
from orchestrator.units import format_duration, format_percent, format_size

#: The facts that a reader of a result looks for first; ``--json`` has all of them.
_OF_MACHINES = (
    "cpu_model",
    "cpus_online",
    "smt",
    "frequency_governor",
    "boost",
    "memory",
    "kernel",
    "os",
    "hypervisor_seen",
    "clock_source",
    "time_sync",
)
_OF_THE_HYPERVISOR = (
    "hypervisor_version",
    "acceleration",
    "machine_type",
    "cpu_mode",
    "disk_drivers",
    "ballooning",
    "vcpu_layer",
    "model",
    "other_guests",
)
_NAMES_SHOWN = 6
#: Columns of the outcome before a trial's name.
_MARK = 11
#: A plan by another hand may hold any number, or none (NaN).
_BEYOND_WRITING = 1e18
_MARKS = {"measured": ("+ measured", "green"), "unsteady": ("~ unsteady", "yellow"), "failed": ("x failed", "red")}


def render_run(
    run: StoredRun,
    verdict: RenderableType | None = None,
    environment: Environment | None = None,
    problems: Sequence[str] = (),
    *,
    in_bundle: bool = False,
) -> RenderableType:
    """A run.

    Args:
        run: as read from the store.
        verdict: what is to be shown below the trials.
        environment: its fingerprint, if there is one.
        problems: what the store found wrong with the run's folder.
        in_bundle: whether it lies in a bundle and not in a store, so that nobody can go on with it there.
    """
    record = run.record
    parts: list[RenderableType] = [
        Given(safe(record.title), style="bold"),
        Text(f"run {safe(record.id)}{_origin(record)}"),
        Text(f"{safe(run.state)}, began {minute(record.started_utc)} UTC, kept in {safe(run.location)}"),
        *_not_back(run),
        *_how_it_stands(run),
        *([Text(safe(run.look.told, 2000))] if run.look is not None else []),
        *([] if in_bundle else _what_next(run)),
        heading("What was imported" if record.origin == "imported" else "What was asked"),
        facts_table(asked(run)),
        heading("Where it was measured"),
        _environment(environment, imported=run.record.origin == "imported"),
        heading(f"{_in_order(record)}: {tally_text(tally(run))}"),
        _Trials(run),
    ]
    if not run.trials:
        parts.append(Text("  none has ended yet"))
    parts += _accepted(run)
    parts += _discarded(run)
    parts += problems_text(problems)
    if verdict is not None:
        parts += [Text(""), verdict]
    return Group(*parts)


def _origin(record: RunRecord) -> str:
    """What kind of run it is, where it is not simply one that was asked for here."""
    if record.origin == "imported":
        return ": imported, not measured here"
    return f": repeats {safe(record.repeats.run)}" if record.repeats is not None else ""


def _in_order(record: RunRecord) -> str:
    imported = record.origin == "imported"
    return "Readings in the order of the table" if imported else "Trials in the order in which they ran"


def _how_it_stands(run: StoredRun) -> list[RenderableType]:
    """What the state alone does not tell."""
    texts = []
    if run.why:
        texts.append(f"{run.state}: {run.why}")
    if run.state == "crashed" and run.heard_utc:
        texts.append(f"last sign of life: {run.heard_utc[:19].replace('T', ' ')} UTC")
    if run.lost:
        texts.append(f"run and lost, since {'it' if len(run.lost) == 1 else 'they'} cannot be read: " + _some(run.lost))
    return [Text(safe(text, 2000)) for text in texts]


def _some(names: Sequence[str]) -> str:
    more = len(names) - _NAMES_SHOWN
    return ", ".join(names[:_NAMES_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _what_next(run: StoredRun) -> list[RenderableType]:
    if run.complete:
        return []
    if run.state == "running":
        return [Text(f"see how far it is with: trialbed status {safe(run.record.id)}")]
    doubt = "if no process is at work on it any more, " if run.state == OPEN else ""
    then: list[RenderableType] = [Text(f"{doubt}go on with: trialbed resume {safe(run.record.id)}")]
    if run.state in {"crashed", OPEN} or run.not_back:
        then.append(Text(f"put its guests back without that: trialbed restore {safe(run.record.id)}"))
    return then


def _not_back(run: StoredRun) -> list[RenderableType]:
    """Guests that could not be put back: the loudest of all."""
    return [
        Text(f"NOT PUT BACK: guest {safe(left.guest)}: {safe(left.reason, 2000)}", style="bold red")
        for left in run.not_back
    ]


def _accepted(run: StoredRun) -> list[RenderableType]:
    """What was not as it was when the run was resumed, and was accepted."""
    if not run.accepted:
        return []
    changes = (Text(f"  {safe(text, 1000)}") for text in run.accepted)
    return [heading("Changed while the run lay, and accepted"), *changes]


def _discarded(run: StoredRun) -> list[RenderableType]:
    """What was put apart; nothing where nothing was."""
    if not run.discarded:
        return []
    rows = [f"{found.folder or found.trial}: {found.reason}" for found in run.discarded]
    return [heading("Put apart, since it does not count"), *(Text(f"  {safe(row, 1000)}") for row in rows)]


def heading(text: str) -> RenderableType:
    """A heading with an empty line before it."""
    return Padding(Text(text, style="bold"), (1, 0, 0, 0))


def facts_table(facts: Mapping[str, str] | Mapping[str, str | Text]) -> RenderableType:
    """Names and values; values that need several lines stay in their column."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for name, value in facts.items():
        table.add_row(Text(f"  {name}"), value if isinstance(value, Text) else Text(value))
    return table


def asked(run: StoredRun) -> dict[str, str]:
    """What a run was to measure and how, by name."""
    record, plan = run.record, run.record.declared
    shapes = [shape for shape in plan.entries.get("shapes", ()) if isinstance(shape, Mapping)]
    loads = [load for load in plan.entries.get("workloads", ()) if isinstance(load, Mapping)]
    cells = {(trial.shape, trial.workload, trial.threads) for trial in record.trials}
    asked = {
        "guest": f"{safe(record.guest)}: {safe(record.guest_kind)}",
        "shapes": "; ".join(_shape(shape) for shape in shapes),
        "workloads": "; ".join(
            f"{safe(str(load.get('name')))}: threads {_listed(load.get('threads'))}" for load in loads
        ),
    }
    decide = f"margin {_percent(plan.at('decide', 'margin'))}, confidence {_percent(plan.at('decide', 'confidence'))}"
    if record.origin == "imported":
        return asked | {**imported_facts(record), "deciding": decide}
    order = f"{_plural(len(cells), 'cell')} in {_blocks(record)}, {safe(str(plan.at('design', 'order')))} order"
    within = _percent(plan.at("measure", "steady", "until_within"))
    return asked | {
        "guest": f"{asked['guest']} (driver {safe(record.hypervisor)})",
        **_beside(record.plan),
        "design": f"{order}, seed {record.seed}",
        "measuring": f"a sample every {_seconds(plan.at('measure', 'every'))}; warm-up {_range(plan, 'warm_up')}; "
        f"steady {_range(plan, 'steady')}, until known within {within}",
        "deciding": decide,
    }


def _blocks(record: RunRecord) -> str:
    """``5 blocks``, ``3 to 12 blocks, until decided``."""
    blocks, least = len({trial.block for trial in record.trials}), record.declared.at("design", "blocks", "at_least")
    return _plural(blocks, "block") if least is None else f"{safe(str(least))} to {blocks} blocks (until decided)"


def _beside(plan: Mapping[str, Any]) -> dict[str, str]:
    declared = described(neighbours_in(plan))
    return {"neighbours": safe(declared)} if declared else {}


def _written(value: object, write: Callable[[float], str]) -> str:
    if isinstance(value, (int, float)) and abs(value) < _BEYOND_WRITING:
        return write(value)
    return "not told" if value is None else safe(str(value))


def _seconds(value: object) -> str:
    return _written(value, format_duration)


def _percent(value: object) -> str:
    return _written(value, format_percent)


def _range(plan: StoredPlan, part: str) -> str:
    return " to ".join(_seconds(plan.at("measure", part, limit)) for limit in ("at_least", "at_most"))


def _listed(values: object) -> str:
    return ", ".join(safe(str(value)) for value in values) if isinstance(values, (list, tuple)) else safe(str(values))


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _shape(shape: Mapping[str, Any]) -> str:
    vcpus = shape.get("vcpus")
    memory = shape.get("memory")
    size = "memory not told" if memory is None else _written(memory, lambda value: format_size(int(value)))
    return f"{safe(str(shape.get('name')))}: {safe(str(vcpus))} vCPU{'' if vcpus == 1 else 's'}, {size}"


def _environment(environment: Environment | None, *, imported: bool) -> RenderableType:
    if environment is None:
        return Text("  not known: the readings were imported" if imported else "  no fingerprint was kept")
    rows: dict[str, str] = {}
    unknown = []
    machines = {
        name: facts
        for name, facts in (("host", environment.host), ("guest", environment.guest))
        if any(value is not None for value in facts.values())
    }
    for key in _OF_MACHINES:
        name = MACHINE_FACTS[key].name
        if all(facts.get(key) is None for facts in machines.values()):
            unknown.append(name)
        else:
            rows[name] = _of_machines({machine: _fact(facts, key) for machine, facts in machines.items()})
    for key in _OF_THE_HYPERVISOR:
        if environment.hypervisor.get(key) is not None:
            rows[HYPERVISOR_FACTS[key].name] = _fact(environment.hypervisor, key)
    if unknown and machines:
        rows["not told"] = ", ".join(unknown)
    if "host" not in machines:
        why = next(iter(environment.unavailable.get("host", {}).values()), "it could not be logged in to")
        rows["host"] = f"not known: {safe(why, 200)}"
    return facts_table(rows)


def _of_machines(told: Mapping[str, str]) -> str:
    """``6.1 (host and guest)``."""
    if len(told) > 1 and len(set(told.values())) == 1:
        return f"{next(iter(told.values()))} ({' and '.join(told)})"
    return "; ".join(f"{value} ({machine})" for machine, value in told.items())


def _fact(facts: Mapping[str, str | None], key: str) -> str:
    value = facts.get(key)
    return "not told" if value is None else safe(value, 60)


@dataclass(frozen=True)
class _Trials:
    """The trials of a run: the name of each, and below it what came of it; beside it on a page that is wide enough."""

    run: StoredRun

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw for the width that there is, all of them alike."""
        trials = self.run.trials
        found = [_figures(self.run, trial, trial.summary) if trial.summary else [] for trial in trials]
        told = [[as_drawn(figure, options) for figure in figures] for figures in found]
        for beside in (2, 1) if options.max_width >= WIDE_PAGE else ():
            lines = aligned([_in_columns(trial, figures, beside) for trial, figures in zip(trials, told, strict=True)])
            if max(map(len, lines), default=0) + _MARK <= options.max_width:
                break
        else:
            beside, lines = 0, [safe(trial.id) for trial in trials]
        for trial, line, figures in zip(trials, lines, told, strict=True):
            mark, style = _MARKS[trial.outcome]
            yield Text.assemble((f"{mark:<{_MARK}}", style), line)
            for detail in (*figures[beside:], *_remarks(trial)):
                yield Padding(Text(detail), (0, 0, 0, 4))


def _in_columns(trial: TrialRecord, figures: Sequence[str], columns: int) -> list[str]:
    """A trial's name and its first figures, or empty columns."""
    return [safe(trial.id), *figures[:columns], *[""] * (columns - len(figures))]


def _remarks(trial: TrialRecord) -> list[str]:
    """Why a trial does not count, and what its checks flag."""
    flags = [] if trial.summary is None else [check for check in trial.summary.checks if check.state == "flag"]
    found = [safe(f"! {check.title}: {check.detail}") for check in flags]
    if trial.outcome == "measured":
        return found
    blame = f"{trial.failed_stage}: " if trial.failed_stage else ""
    return [safe(f"{blame}{trial.reason}"), *found]


def _figures(run: StoredRun, trial: TrialRecord, summary: TrialSummary) -> list[str]:
    """What was measured, of the window that is the same for all of it."""
    if summary.throughput is None:
        return []
    _, per = reader_of(run.record, trial.workload)
    over = "" if summary.window is None else f" over {window_text(summary.window)} since {since_text(run.record)}"
    found = [f"{rate_text(summary.throughput, per)} per {per}{over}"]
    if summary.vcpus or run.record.origin == "measured":
        found.append(f"run/wait/idle % of each vCPU: {vcpus_text(summary.vcpus)}")
    if summary.vcpus_average is not None:
        found.append(f"run/wait/idle % over all vCPUs: {average_text(summary.vcpus_average)}")
    return found
