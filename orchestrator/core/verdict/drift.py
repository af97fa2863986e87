"""Whether throughput drifted from block to block through the run, or changed from one sitting to the next.

Comparisons within blocks are made so as not to be touched by either; what a reader has to know is that the host, or
whatever else all trials share, was not the same all the time.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import Literal

from orchestrator.core.measure.method import Step
from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.inference.trend import Trend, trend
from orchestrator.core.verdict.sittings import Sitting
from orchestrator.core.verdict.words import capital, count, degrees_of_freedom, listed, signed, span
from orchestrator.units import format_duration, format_percent

_SOURCE = "Montgomery 2017, ch. 3.5 and 4.1 (contrasts, blocks); NIST/SEMATECH e-Handbook, 7.4.3.6; Berger 1982"
_UNTOUCHED = "Comparisons within blocks are not touched by that: they set trials of the same block against each other."


class Drift(Record):
    """How the blocks of a workload went.

    ``ratio`` is throughput of the last of ``blocks`` over the first, by the straight line through all of them, or that
    of the sitting with the blocks ``later`` over the one with ``blocks``. Its interval, and ``shown``, hold for all
    drifts of a run together. ``p_trials`` is the chance of such a change where all blocks are alike, ``p_blocks`` where
    each differs by chance; ``None``, like the bounds, where too few blocks tell.
    """

    workload: str
    kind: Literal["through the blocks", "between sittings"]
    blocks: tuple[int, ...]
    later: tuple[int, ...] = ()
    ratio: float
    low: float | None
    high: float | None
    p_trials: float
    p_blocks: float | None
    df_trials: int
    df_blocks: int
    shown: bool


@dataclass(frozen=True)
class _Found:
    workload: str
    trend: Trend
    blocks: tuple[int, ...]
    later: tuple[int, ...] = ()

    @property
    def units(self) -> int:
        """Of the figure of the blocks: from the first number to the last, or from one sitting to the next."""
        return 1 if self.later else self.blocks[-1] - self.blocks[0]


def drifts(cells: Sequence[CellReadings], sittings: Sequence[Sitting], confidence: float) -> tuple[Drift, ...]:
    """Look for a drift of every workload that was measured in blocks: within each sitting, and from one to the next.

    Args:
        cells: of all workloads, ordered by workload.
        sittings: of the run; empty where there was one only.
        confidence: of all intervals together (Dunn 1961: each at its share of the error).
    """
    found: list[_Found] = []
    for workload, load in groupby(cells, key=lambda cell: cell.first.workload):
        blocked = [by_block for cell in load if (by_block := cell.by_block) is not None]
        found += _of_workload(workload, blocked, sittings)
    error = (1 - confidence) / max(1, len(found))
    return tuple(_told(each, error) for each in found)


def _of_workload(workload: str, cells: Sequence[dict[int, float]], sittings: Sequence[Sitting]) -> Iterator[_Found]:
    there = {block for cell in cells for block in cell}
    held = [replace(one, blocks=tuple(b for b in one.blocks if b in there)) for one in sittings]
    for one in held or [Sitting(tuple(sorted(there)))]:
        fitted = trend(cells, {block: float(block) for block in one.blocks})
        if fitted is not None and fitted.df_blocks > 0:
            yield _Found(workload, fitted, one.blocks)
    for before, after in pairwise(held):
        fitted = trend(cells, dict.fromkeys(before.blocks, 0.0) | dict.fromkeys(after.blocks, 1.0))
        if fitted is not None:
            yield _Found(workload, fitted, before.blocks, after.blocks)


def _told(found: _Found, error: float) -> Drift:
    fitted, units = found.trend, found.units
    half = fitted.half_width(1 - error)
    return Drift(
        workload=found.workload,
        kind="between sittings" if found.later else "through the blocks",
        blocks=found.blocks,
        later=found.later,
        ratio=_exp(fitted.slope * units),
        low=None if half is None else _exp((fitted.slope - half) * units),
        high=None if half is None else _exp((fitted.slope + half) * units),
        p_trials=fitted.p_trials,
        p_blocks=fitted.p_blocks,
        df_trials=fitted.df_trials,
        df_blocks=fitted.df_blocks,
        shown=fitted.p <= error,
    )


def _exp(log: float) -> float:
    """A record holds finite numbers only."""
    return math.exp(min(max(log, -700.0), 700.0))


# ---------------------------------------------------------------------------------------------------------- in words


def drift_remarks(found: Sequence[Drift], sittings: Sequence[Sitting]) -> Iterator[str]:
    """What the reader has to know: drifts that are shown, and that there were several sittings."""
    several = len({drift.workload for drift in found}) > 1
    for drift in found:
        if drift.kind == "through the blocks" and drift.shown:
            yield (
                f"{_throughput(drift, several=several)} {_moved(drift)} from block {drift.blocks[0]} to "
                f"{drift.blocks[-1]} ({_interval(drift)}): a drift that is no chance, so look at what changed on the "
                f"host. {_UNTOUCHED}"
            )
    if len(sittings) > 1:
        yield from _in_sittings(found, sittings, several=several)


def _in_sittings(found: Sequence[Drift], sittings: Sequence[Sitting], *, several: bool) -> Iterator[str]:
    pauses = [format_duration(one.pause_s) for one in sittings[1:] if one.pause_s is not None]
    apart = f", {listed(pauses)} apart" if pauses else ""
    sentence = f"The run was measured in {count(len(sittings), 'sitting')}{apart}."
    changed = [drift for drift in found if drift.kind == "between sittings"]
    for drift in changed:
        where = f"from {_named(drift.blocks)} to {_named(drift.later)}"
        if drift.shown:
            sentence += f" {_throughput(drift, several=several)} {_moved(drift)} {where} ({_interval(drift)})."
        else:
            told = f" ({_interval(drift)})" if drift.low is not None else ", with so few blocks"
            sentence += f" {_throughput(drift, several=several)} did not demonstrably change {where}{told}."
    yield f"{sentence} {_UNTOUCHED}" if changed else sentence
    if cut := _cut(sittings):
        one = len(cut) == 1
        yield (
            f"{capital(_named(cut))} {'was' if one else 'were'} begun in one sitting and ended in another: comparisons "
            f"within {'it' if one else 'them'} set trials of different sittings against each other."
        )


def _cut(sittings: Sequence[Sitting]) -> tuple[int, ...]:
    """Blocks between the first and the last that belong to no sitting as a whole."""
    whole = {block for sitting in sittings for block in sitting.blocks}
    last = max(whole, default=0)
    return tuple(block for block in range(1, last + 1) if block not in whole)


def _throughput(drift: Drift, *, several: bool) -> str:
    return f"Throughput of {drift.workload}" if several else "Throughput"


def _moved(drift: Drift) -> str:
    return f"{'rose' if drift.ratio > 1 else 'fell'} by {format_percent(abs(drift.ratio - 1))}"


def _interval(drift: Drift) -> str:
    return span(drift.low, drift.high) if drift.low is not None and drift.high is not None else "no interval"


def _named(blocks: Sequence[int]) -> str:
    if len(blocks) == 1:
        return f"block {blocks[0]}"
    if blocks[-1] - blocks[0] == len(blocks) - 1:
        return f"blocks {blocks[0]} to {blocks[-1]}"
    return f"blocks {listed([str(block) for block in blocks])}"


def drift_steps(found: Sequence[Drift], confidence: float) -> Iterator[Step]:
    """How each was tested, with its figures."""
    for drift in found:
        of = f" of {drift.workload}" if len({other.workload for other in found}) > 1 else ""
        where = (
            f"the straight line through the effects of {_named(drift.blocks)}{of}"
            if drift.kind == "through the blocks"
            else f"the mean effect of {_named(drift.later)}{of} against that of {_named(drift.blocks)}"
        )
        by_blocks = (
            f"p = {drift.p_blocks:.2g} against what is left between blocks ({degrees_of_freedom(drift.df_blocks)})"
            if drift.p_blocks is not None
            else "too few blocks to tell how they differ by chance"
        )
        interval = f", {_interval(drift)}" if drift.low is not None else ""
        level = f"{(1 - confidence) / len(found):.2g}"
        what = (
            f"{where}: {signed(drift.ratio)}{interval}; p = {drift.p_trials:.2g} against the scatter of "
            f"trials ({degrees_of_freedom(drift.df_trials)}), {by_blocks}; both have to be below {level}"
        )
        yield Step(step="drift", what=what, source=_SOURCE)
