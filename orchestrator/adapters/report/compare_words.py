"""A comparison of runs in words, the same on a terminal, in an issue tracker and in a report for CI."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from orchestrator.core.verdict.between_runs.results import Change, Overall, RunsCompared, Weight
from orchestrator.core.verdict.words import (
    change,
    column,
    count,
    in_words,
    listed,
    number,
    rate,
    signed,
    so_many_of,
    some_of,
    span,
)
from orchestrator.units import PERIODS, format_percent

WEIGHTS: dict[Weight, str] = {
    "likely": "Likely to matter",
    "possible": "May matter",
    "unlikely": "Unlikely to matter",
}
#: Differences that hardly matter, and undecided cells, are told one by one up to here.
_UNLIKELY, _UNDECIDED = 4, 8
_OVER_TRIALS = "Base and new: geometric means over trials"
_JSON = "--json has all of them"


@dataclass(frozen=True)
class Figures:
    """What a table says of one cell, beside its name; figures stand below those of the other cells."""

    base: str
    new: str
    change: str
    interval: str
    cpu: str
    trials: str


def title(found: RunsCompared, base_called: str = "") -> tuple[str, str]:
    """Which runs these are, a line each."""
    runs = found.base[0] if len(found.base) == 1 else f"{count(len(found.base), 'run')}, {listed(list(found.base))}"
    return f"Run {found.new}", f"against {f'{base_called}: ' if base_called else ''}{runs}"


def ordered(changes: Iterable[Change]) -> list[Change]:
    """Cells as a run's own table has them: by load, threads and size."""
    return sorted(changes, key=lambda c: (c.workload, c.threads, c.vcpus, c.memory or 0, c.shape))


def figures(changes: Sequence[Change], per: str) -> list[Figures]:
    """The figures of each cell, rates per period."""
    factor = PERIODS[per]
    rates = iter(column([side * factor for c in changes for side in (c.base_per_s, c.new_per_s)]))
    return [
        Figures(
            base=next(rates),
            new=next(rates),
            change=signed(c.ratio, whole=c.low is None),
            interval=_bounds(c.low, c.high),
            cpu="?" if c.cpu_ratio is None else signed(c.cpu_ratio, whole=c.cpu_low is None),
            trials=f"{c.base_trials} and {c.new_trials}",
        )
        for c in changes
    ]


def _bounds(low: float | None, high: float | None) -> str:
    """``-6.1 to -3.3 %``: a table has no room for the sign of percent twice."""
    return "none" if low is None or high is None else span(low, high).replace(" % to ", " to ")


def rates_legend(found: RunsCompared, per: str) -> str:
    """What the throughputs of base and new run are."""
    over = "Base: the geometric mean over runs; new: over trials" if found.runs_are_readings else _OVER_TRIALS
    return f"{over}, per {per}."


def legend(found: RunsCompared, *, cpu: bool, ends: str = "Interval") -> str:
    """What the columns of the changes mean, and how those of the interval are called."""
    confidence, margin = format_percent(found.confidence), format_percent(found.margin)
    every = " for all cells together" if len(found.changes) > 1 else ""
    costs, steps = " Per CPU s: the change of operations per CPU second." if cpu else "", _later_steps(found)
    return f"{ends}: of the change, at {confidence} confidence{every}; margin {margin}.{steps}{costs}"


def _later_steps(found: RunsCompared) -> str:
    """That some intervals have an end which belongs to their word, and not to the intervals of all cells together."""
    later = sum(each.correction == "Holm, stepwise" for each in found.changes)
    told = f" Of {count(later, 'cell')} shown to differ by a later step (Holm 1979) the end near 0 % is the step's."
    return told if later else ""


def cpu_known(found: RunsCompared) -> bool:
    """Whether any cell knows what its operations cost."""
    return any(c.cpu_ratio is not None for c in found.changes)


def sentence(found: Change, per: str) -> str:
    """One cell: ``slower, 4.7 % less (-6.1 % to -3.3 %): 774.1 a second, 812.3 in the base``."""
    rates = f"{rate(found.new_per_s, per)}, {number(found.base_per_s * PERIODS[per])} in the base"
    return f"{found.verdict}, {_size(found.ratio, found.low, found.high)}: {rates}"


def _size(ratio: float, low: float | None, high: float | None) -> str:
    """``4.7 % less (-6.1 % to -3.3 %)``."""
    if low is None or high is None:
        return f"{change(ratio, whole=True)} on the figures, without an interval"
    return f"{change(ratio, whole=False)} ({span(low, high)})"


def all_together(found: RunsCompared, per: str) -> list[str]:
    """All matched cells as one, and what a vCPU and a CPU second achieve; nothing for a single cell but the latter."""
    overall = found.overall
    if overall is None:
        return []
    told = []
    if overall.cells > 1:
        size = _size(overall.ratio, overall.low, overall.high)
        told.append(f"Geometric mean of {so_many_of(overall.cells, overall.cells, 'cell')}: {overall.verdict}, {size}.")
    told.append(f"A vCPU: {_both(overall.new_per_vcpu, overall.base_per_vcpu, per)}.")
    return [*told, *_cpu_second(overall)]


def _both(new: float, base: float, per: str) -> str:
    return f"{rate(new, per)}, {number(base * PERIODS[per])} in the base"


def _cpu_second(overall: Overall) -> Iterator[str]:
    if overall.new_per_cpu_s is None or overall.base_per_cpu_s is None:
        return
    text = f"A CPU second: {number(overall.new_per_cpu_s)} operations, {number(overall.base_per_cpu_s)} in the base"
    size = f": {_size(overall.cpu_ratio, overall.cpu_low, overall.cpu_high)}" if overall.cpu_ratio is not None else ""
    yield f"{text}{size}."


def what_would_decide(found: RunsCompared) -> list[str]:
    """Of each cell that is undecided, how much more measuring would decide it."""
    undecided = [c for c in ordered(found.changes) if c.verdict == "undecided"]
    told = by_text((c.cell, "; ".join([*not_worse(c, found.margin), more(c)])) for c in undecided)
    return [*told[:_UNDECIDED], *([f"and so on: {_JSON}"] if len(told) > _UNDECIDED else [])]


def not_worse(cell: Change, margin: float) -> tuple[str, ...]:
    """That a loss that matters is ruled out, which the guard goes by; it may be so where nothing else is decided."""
    return (f"a loss of more than {format_percent(margin)} is ruled out",) if cell.not_worse else ()


def more(undecided: Change) -> str:
    """``about four more blocks of each run would decide, or about nine more blocks of the new run alone``."""
    if undecided.low is None:
        if min(undecided.base_trials, undecided.new_trials) > 1:  # of several base runs only one holds it
            return "only one of the base runs has it, and a single reading has no interval; measure it in another"
        return "a single reading has no interval; measure at least two blocks in each run"
    needs = (
        (undecided.more_base_runs, "more run", "for the base"),
        (undecided.more_blocks, "more block", "of each run"),
        (undecided.more_blocks_new, "more block", "of the new run alone"),
    )
    ways = [f"about {count(needed, noun)} {where}" for needed, noun, where in needs if needed is not None]
    return f"{' or '.join(ways)} would decide" if ways else "too close to call"


def by_text(told: Iterable[tuple[str, str]]) -> list[str]:
    """What is said of cells, once for all of which the same is said: ``one-bookings-t1 and two-bookings-t1: ...``."""
    cells: dict[str, list[str]] = {}
    for cell, text in told:
        cells.setdefault(text, []).append(cell)
    return [f"{some_of(names)}: {text}" for text, names in cells.items()]


def surroundings(found: RunsCompared) -> list[tuple[str, list[str]]]:
    """What else is not the same, the likeliest to matter first; of what hardly matters, a few."""
    groups: list[tuple[str, list[str]]] = []
    for weight, words in WEIGHTS.items():
        told = [difference.sentence for difference in found.surroundings if difference.weight == weight]
        if weight == "unlikely" and len(told) > _UNLIKELY + 1:
            told = [*told[:_UNLIKELY], f"and {in_words(len(told) - _UNLIKELY)} more ({_JSON})"]
        if told:
            groups.append((words, told))
    return groups


NOTHING_ELSE = "What is known of host, guest, hypervisor and method is the same."


def not_compared(found: RunsCompared) -> list[str]:
    """Cells that stand alone, and why."""
    sides = (("base", "the base"), ("new", "the new run"))
    return [
        f"In {where}, {told}"
        for side, where in sides
        for told in by_text(sorted((alone.cell, alone.why) for alone in found.unmatched if alone.side == side))
    ]


def remarks(found: RunsCompared) -> list[str]:
    """What a reader has to know beside the figures: of the whole, then of cells."""
    by_name = {c.matched_by for c in found.changes} == {"name"}  # of all cells: one of the remarks on the whole says so
    of_cell = (lambda c: c.remarks) if by_name else cell_remarks
    cells = ordered(found.changes)
    told = [(c.cell, remark) for c in cells for remark in of_cell(c)]
    slightly = [(c.cell, f"slower, but {not_worse(c, found.margin)[0]}") for c in cells if _slightly_slower(c)]
    return [*found.remarks, *by_text([*slightly, *told])]


def _slightly_slower(cell: Change) -> bool:
    return cell.verdict == "slower" and cell.not_worse


def cell_remarks(cell: Change) -> tuple[str, ...]:
    """What a reader has to know beside the figures of one cell."""
    by_name = "taken for the same by name: one of the runs does not tell its definition"
    return (*cell.remarks, *((by_name,) if cell.matched_by == "name" else ()))


def in_short(found: Sequence[RunsCompared]) -> list[str]:
    """Several new runs against one base, a sentence each."""
    each = [f"Run {one.new} {_verdict(one)}." for one in found]
    return [*each, "Each comparison holds by itself at its confidence, not all of them together."]


def _verdict(found: RunsCompared) -> str:
    if not found.changes:
        return "has no cell in common with the base"
    cells = [(word, sum(c.verdict == word for c in found.changes)) for word in _WORDS]
    told = listed([f"{word} in {count(times, 'cell')}" for word, times in cells if times])
    overall = found.overall
    together = f", together {_size(overall.ratio, overall.low, overall.high)}" if overall is not None else ""
    return f"is {told}{together}"


_WORDS = ("slower", "faster", "undecided", "equivalent")
