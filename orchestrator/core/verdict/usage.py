"""What the vCPUs did, in sentences: idle vCPUs, waiting for physical CPUs, CPU time of an operation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.rule import COMMON_PRACTICE, Rule
from orchestrator.core.verdict.words import capital, change, column, count, listed, number, ordinal
from orchestrator.units import format_percent

#: More shapes than these few in one sentence would hide the ones that matter.
_FEW = 4


def usage(chosen: CellEstimate, others: Sequence[CellEstimate], rule: Rule) -> Iterator[str]:
    """Everything the counters say about a load's shapes.

    Args:
        chosen: the cell that is recommended.
        others: the other shapes under the same load.
        rule: its thresholds.
    """
    if text := shares_text(chosen):
        yield f"{'Its vCPU' if chosen.vcpus == 1 else 'On average its vCPUs'} {text} of the time."
    for cell in (chosen, *others[:_FEW]):
        yield from _idle(cell, rule)
    yield from _waiting([chosen, *others], rule)
    yield from _cost(chosen, others)


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
        unused = number(round(cell.idle * cell.vcpus, 1))
        yield f"Idle time {where} adds up to {unused} of its {count(cell.vcpus, 'vCPU')}."


def _waiting(cells: Sequence[CellEstimate], rule: Rule) -> Iterator[str]:
    """Which shapes wait for physical CPUs, against a labelled rule of thumb."""
    waiting = [(cell.shape, worst_wait(cell)) for cell in cells if worst_wait(cell) >= rule.wait]
    if waiting:
        where = listed([f"{format_percent(wait, 0)} of the time on shape {shape}" for shape, wait in waiting[:_FEW]])
        yield (
            f"The vCPU that waits most waits for a physical CPU {where}: the host is contended "
            f"(worth a word from {format_percent(rule.wait)} on: {COMMON_PRACTICE})."
        )


def _cost(chosen: CellEstimate, others: Sequence[CellEstimate]) -> Iterator[str]:
    """CPU time of an operation beside the other shapes': what more vCPUs cost for the same work."""
    mine = chosen.cpu_seconds_per_operation
    if not mine:
        return
    known = [(o.shape, o.cpu_seconds_per_operation) for o in others if o.cpu_seconds_per_operation]
    beside = [f"{cost(theirs)} on {shape} ({change(theirs / mine, whole=True)})" for shape, theirs in known[:_FEW]]
    yield f"An operation costs {listed([f'{cost(mine)} of CPU time on shape {chosen.shape}', *beside])}."
