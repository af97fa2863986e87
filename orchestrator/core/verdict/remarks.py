"""What the reader has to know besides: what was not measured, what does not add up, what one reading cannot show."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.outliers import outliers
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.words import capital, change, count, in_words, number, ordinal, rates, span

#: Three shares rounded to whole percents can miss 100 by one and a half.
_ROUNDED_SHARES = 0.015
_FEW = 6
_NOT_ALL = (
    "run, wait and idle share out one vCPU's wall time, so these were not taken over one window, or mean something else"
)


def remarks(
    cells: Sequence[CellReadings], comparisons: Sequence[Comparison], evidence: Evidence, rule: Rule
) -> Iterator[str]:
    """All remarks, in the order in which they are shown."""
    yield from _single_readings(cells)
    yield from _sums(cells)
    if not rule.templates:  # a catalogue measures just its own cells, on purpose
        yield from _not_measured(cells, evidence)
    yield from _growth(cells, comparisons, rule)
    yield from _same_figure(cells)
    yield from _outliers(cells)
    yield from _missing_blocks(cells, comparisons)


def _label(cell: CellReadings) -> str:
    return f"{cell.first.shape} with {count(cell.first.threads, 'thread')}"


def _single_readings(cells: Sequence[CellReadings]) -> Iterator[str]:
    single = [c for c in cells if len(c.observations) == 1]
    lesson = "repeated, it may differ by more than the cells do, so no interval and no chance of error can be given"
    if single and len(single) == len(cells):
        yield f"One reading a cell carries no uncertainty: {lesson}."
    elif single:
        names = ", ".join(_label(c) for c in single[:_FEW]) + (", and others" if len(single) > _FEW else "")
        if all(c.scatter is not None for c in single):
            lesson = (
                "it has no interval of its own; comparisons with it take their scatter from cells that were repeated"
            )
        yield f"One reading of a cell carries no uncertainty ({names}): {lesson}."


def _sums(cells: Sequence[CellReadings]) -> Iterator[str]:
    """Shares that do not add up: run + wait + idle must be all of a vCPU's wall time."""
    for cell in cells:
        for seen in cell.observations:
            shares, total = seen.shares, seen.shares.total
            if total is None or abs(total - 1) <= _ROUNDED_SHARES:
                continue
            terms = " + ".join(_points(share or 0.0) for share in (shares.run, shares.wait, shares.idle))
            block = f", block {seen.block}" if seen.block is not None and len(cell.observations) > 1 else ""
            fractions = abs(total - 0.01) <= _ROUNDED_SHARES / 100
            meant = "these look like fractions where percents are asked for" if fractions else _NOT_ALL
            yield f"{terms} is {_points(total)}, not 100 ({_label(cell)}{block}): {meant}."


def _points(share: float) -> str:
    return number(round(share * 100, 4))


def _not_measured(cells: Sequence[CellReadings], evidence: Evidence) -> Iterator[str]:
    """Combinations of a workload's shapes and threads that nobody tried."""
    sizes = evidence.all_sizes()
    measured = {c.key for c in cells} | evidence.tried
    order = sorted(sizes, key=lambda shape: (sizes[shape][0], sizes[shape][1] or 0, shape))
    workloads = sorted({c.first.workload for c in cells})
    for workload in workloads:
        threads = sorted({c.first.threads for c in cells if c.first.workload == workload})
        missing = [(shape, t) for t in threads for shape in order if (workload, t, shape) not in measured]
        under = f" under {workload}" if len(workloads) > 1 else ""
        for shape, t in missing[:_FEW]:
            vcpus, were = count(sizes[shape][0], "vCPU"), _were(t)
            yield f"Shape {shape}: {count(t, 'thread')} on {vcpus} {were} not measured{under}."
        if (rest := len(missing) - _FEW) > 0:
            yield f"{capital(count(rest, 'more combination'))} of shape and threads {_were(rest)} not measured{under}."


def _were(number_of_things: int) -> str:
    return "was" if number_of_things == 1 else "were"


def _growth(cells: Sequence[CellReadings], comparisons: Sequence[Comparison], rule: Rule) -> Iterator[str]:
    """What more vCPUs bought when each got a thread of its own."""
    by_key, several = {c.key: c for c in cells}, len({c.first.workload for c in cells}) > 1
    for found in (comparison for comparison in comparisons if comparison.question == "growth"):
        base = by_key[found.workload, found.base_threads, found.base_shape].estimate(rule.confidence)
        new = by_key[found.workload, found.new_threads, found.new_shape].estimate(rule.confidence)
        if new.vcpus == base.vcpus + 1:
            what = f"the {ordinal(new.vcpus)} vCPU with its thread"
        else:
            what = f"going from {count(base.vcpus, 'vCPU')} to {in_words(new.vcpus)}, each with its thread,"
        before, after = rates([base.throughput_per_s, new.throughput_per_s], rule.per)
        figures = f"{after} on {new.shape} against {before} on {base.shape}"
        if found.low is not None and found.high is not None:
            figures += f"; interval {span(found.low, found.high)}"
        under = f" under {found.workload}" if several else ""
        yield capital(f"{what} {_bought(found)}{under} ({figures}).")


def _bought(found: Comparison) -> str:
    size, *rest = change(found.ratio, whole=found.low is None).rsplit(" ", 1)
    if rest not in (["more"], ["less"]):
        return "bought nothing to speak of"
    return f"bought {size}" if found.ratio > 1 else f"cost {size}"


def _same_figure(cells: Sequence[CellReadings]) -> Iterator[str]:
    """Readings without any scatter at all: not even a good bench repeats itself to the last digit."""
    for cell in cells:
        if len(cell.observations) > 1 and len({o.throughput_per_s for o in cell.observations}) == 1:
            readings = f"{in_words(len(cell.observations))} readings of {_label(cell)}"
            hidden = "rounding (or copying) hides their scatter, so the intervals are too narrow"
            yield f"All {readings} are the same figure: {hidden}."


def _outliers(cells: Sequence[CellReadings]) -> Iterator[str]:
    """Trials far from what cell and block lead to expect."""
    found = outliers(cells)
    for one in found[:_FEW]:
        block = f" in block {one.block}" if one.block is not None else ""
        off = change(one.ratio, whole=False)
        yield (
            f"{f'The trial{block}' if block else 'A reading'} of {_label(one.cell)} gave {off} than the other trials "
            "lead to expect, too far for chance: it counts all the same, but look at what happened to it."
        )
    if (rest := len(found) - _FEW) > 0:
        yield f"{capital(count(rest, 'more trial'))} {'lies' if rest == 1 else 'lie'} as far off."


def _missing_blocks(cells: Sequence[CellReadings], comparisons: Sequence[Comparison]) -> Iterator[str]:
    """Comparisons that rest on fewer blocks than their cells have."""
    blocks = {c.key: len(c.observations) for c in cells}

    def most(found: Comparison) -> int:
        base = found.workload, found.base_threads, found.base_shape
        new = found.workload, found.new_threads, found.new_shape
        return max(blocks[base], blocks[new])

    short = [c for c in comparisons if c.paired and c.readings < most(c)]
    if short:
        least, rest = min(c.readings for c in short), "rests" if len(short) == 1 else "rest"
        fewest = in_words(least) if least else "none"
        yield (
            f"{capital(count(len(short), 'comparison'))} {rest} on fewer blocks than were measured "
            f"({fewest} at the least): only blocks that hold both cells can be set against each other."
        )
