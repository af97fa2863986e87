"""What the vCPUs did, in sentences: idle vCPUs, waiting for physical CPUs, CPU time of an operation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.cells import CellEstimate, CellReadings
from orchestrator.core.verdict.demand.cpu_cost import cost_ratio, cost_scatter
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.rule import COMMON_PRACTICE, Rule
from orchestrator.core.verdict.words import capital, change, column, count, in_words, listed, number, ordinal, span
from orchestrator.units import format_percent

#: More shapes than these few in one sentence would hide the ones that matter.
_FEW = 4
#: An interval of logs narrower than this is rounding.
_NO_SCATTER = 1e-9


def usage(chosen: CellReadings, others: Sequence[CellReadings], rule: Rule) -> Iterator[str]:
    """Everything the counters say about a load's shapes.

    Args:
        chosen: the cell that is recommended.
        others: the other shapes under the same load.
        rule: its thresholds.
    """
    mine, *theirs = (cell.estimate(rule.confidence) for cell in (chosen, *others))
    if text := shares_text(mine):
        yield f"{'Its vCPU' if mine.vcpus == 1 else 'On average its vCPUs'} {text} of the time."
    for cell in (mine, *theirs[:_FEW]):
        yield from _idle(cell, rule)
    yield from _waiting([mine, *theirs], rule)
    yield from _cost(chosen, others, rule)


def worst_wait(cell: CellEstimate) -> float:
    """The largest waiting share that is known of a cell's vCPUs; 0 when none is known."""
    known = [cell.wait, *(shares.wait for shares in cell.per_vcpu)]
    return max((wait for wait in known if wait is not None), default=0.0)


def shares_text(cell: CellEstimate) -> str:
    """``run 62 %, wait 10 % and are idle 28 %``, as far as known."""
    one = cell.vcpus == 1
    verbs = (
        ("runs" if one else "run", cell.run),
        ("waits" if one else "wait", cell.wait),
        ("is idle" if one else "are idle", cell.idle),
    )
    known = [f"{verb} {format_percent(share, 0)}" for verb, share in verbs if share is not None]
    return listed(known) if known else ""


def cost(seconds: float) -> str:
    """CPU time of an operation in a unit that keeps it readable: ``0.42 ms``."""
    return costs([seconds])[0]


def costs(seconds: Sequence[float]) -> list[str]:
    """Such times below each other, with the same number of digits."""
    scaled = [(s, *(("s", 1.0) if s >= 1 else ("ms", 1e3) if s >= 1e-4 else ("µs", 1e6))) for s in seconds]
    figures = column([float(f"{s * factor:.3g}") for s, _, factor in scaled])
    return [f"{figure} {unit}" for figure, (_, unit, _) in zip(figures, scaled, strict=True)]


def _idle(cell: CellEstimate, rule: Rule) -> Iterator[str]:
    """Idle vCPUs by number where each is known, else how many are idle on average.

    A guest's scheduler may move one thread over all vCPUs, and then none of them is idle although one would do.
    """
    idle = [(n, s.idle) for n, s in enumerate(cell.per_vcpu, start=1) if s.idle is not None and s.idle >= rule.idle]
    where = f"of shape {cell.shape} with {count(cell.threads, 'thread')}"
    if len(idle) == 1:
        yield f"The {ordinal(idle[0][0])} vCPU {where} is idle {format_percent(idle[0][1], 0)} of the time."
    elif idle:
        least, most = (format_percent(find(share for _, share in idle), 0) for find in (min, max))
        vcpus = capital(count(len(idle), "vCPU"))
        yield f"{vcpus} {where} are each idle {least if least == most else f'{least} to {most}'} of the time."
    elif cell.idle is not None and cell.vcpus > 1 and cell.idle * cell.vcpus >= rule.idle:
        unused = round(cell.idle * cell.vcpus, 1)
        unused_text = in_words(int(unused)) if unused.is_integer() else number(unused)
        yield f"Idle time {where} adds up to {unused_text} of its {count(cell.vcpus, 'vCPU')}."


def _waiting(cells: Sequence[CellEstimate], rule: Rule) -> Iterator[str]:
    """Which shapes wait for physical CPUs, against a labelled rule of thumb."""
    waiting = [(cell.shape, worst_wait(cell)) for cell in cells if worst_wait(cell) >= rule.wait]
    if waiting:
        where = listed([f"{format_percent(wait, 0)} of the time on shape {shape}" for shape, wait in waiting[:_FEW]])
        yield (
            f"The vCPU that waits most waits for a physical CPU {where}: the host is contended "
            f"(worth a word from {format_percent(rule.wait)} on: {COMMON_PRACTICE})."
        )


def _cost(chosen: CellReadings, others: Sequence[CellReadings], rule: Rule) -> Iterator[str]:
    """CPU time of an operation beside the other shapes': what more vCPUs cost for the same work."""
    mine = chosen.estimate(rule.confidence).cpu_seconds_per_operation
    if not mine:
        return
    estimates = [(other, other.estimate(rule.confidence).cpu_seconds_per_operation) for other in others]
    known = [(other, theirs) for other, theirs in estimates if theirs][:_FEW]
    scatter = cost_scatter([chosen, *others])
    # Each is held against the chosen one, and they are to hold together (Bonferroni, as in Dunn 1961).
    each = 1 - (1 - rule.confidence) / max(1, len(known))
    own, *times = costs([mine, *(theirs for _, theirs in known)])
    beside = []
    for (other, theirs), time in zip(known, times, strict=True):
        estimate = cost_ratio(chosen, other, scatter)
        bounds = estimate.interval(each) if estimate is not None else None
        beside.append(f"{time} on {other.first.shape} ({_changed(theirs / mine, bounds)})")
    yield f"An operation costs {listed([f'{own} of CPU time on shape {chosen.first.shape}', *beside])}."


def _changed(ratio: float, logs: tuple[float, float] | None) -> str:
    """``25 % more``; with an interval ``2.1 % more, +1.8 % to +2.4 %``, or that the difference is within chance."""
    if logs is None or logs[1] - logs[0] < _NO_SCATTER:
        return change(ratio, whole=True)
    low, high = exp(logs[0]), exp(logs[1])
    changed, bounds = change(ratio, whole=False), span(low, high)
    return f"{changed}, within what trials scatter: {bounds}" if low <= 1 <= high else f"{changed}, {bounds}"
