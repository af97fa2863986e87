"""The tables of a verdict: cells, what an operation takes in each, what a price buys, and templates."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.adapters.report.document.numbers import (
    NO_INTERVAL,
    UNAVAILABLE,
    Times,
    below_each_other,
    changed,
    figures,
    memory,
    percent,
    rates,
    text,
    whole,
)
from orchestrator.adapters.report.document.parts import Cell, Number, Table
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.demand.demands import Demand
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.templates import TemplateFinding
from orchestrator.core.verdict.value import CellValue
from orchestrator.units import PERIODS

_RANKS = {"kept": "kept", "lost": "lost", "undecided": "open", None: ""}


def recommended(cells: Sequence[CellEstimate], recommendations: Sequence[Recommendation]) -> frozenset[int]:
    """Positions of the cells whose shape is recommended for their load."""
    chosen = {(found.workload, found.threads, found.shape) for found in recommendations}
    return frozenset(at for at, cell in enumerate(cells) if (cell.workload, cell.threads, cell.shape) in chosen)


def cells_table(
    cells: Sequence[CellEstimate],
    recommendations: Sequence[Recommendation],
    *,
    caption: str,
    per: str,
) -> Table:
    """The cells of one workload; columns that nothing was observed for are left out."""
    shares = any(share is not None for cell in cells for share in (cell.run, cell.wait, cell.idle))
    sizes = len({cell.memory for cell in cells}) > 1
    factor, unit = PERIODS[per], f"per {per}"
    chosen = recommended(cells, recommendations)
    columns = (
        text("shape"),
        figures("vCPUs"),
        *((figures("memory", "GiB"),) if sizes else ()),
        figures("threads"),
        figures("trials"),
        figures("throughput", unit),
        figures("from", unit),
        figures("to", unit),
        *((figures("run", "%"), figures("wait", "%"), figures("idle", "%")) if shares else ()),
        text("choice"),
    )
    means = rates([cell.throughput_per_s for cell in cells], factor)
    rows: list[tuple[Cell, ...]] = []
    for at, (cell, mean, bounds) in enumerate(zip(cells, means, _bounds(cells, factor), strict=True)):
        rows.append(
            (
                cell.shape,
                whole(cell.vcpus),
                *((memory(cell.memory),) if sizes else ()),
                whole(cell.threads),
                whole(cell.trials),
                mean,
                *bounds,
                *([percent(share) for share in (cell.run, cell.wait, cell.idle)] if shares else []),
                "recommended" if at in chosen else "",
            )
        )
    return Table(caption, columns, tuple(rows), chosen)


def demands_table(demands: Sequence[Demand], *, caption: str) -> Table:
    """What an operation takes in each cell of one workload: CPU time with its interval, wait and idle."""
    times = Times(
        [
            found.mean
            for demand in demands
            for found in (demand.cpu_s, demand.wait_s, demand.idle_s)
            if found is not None
        ]
    )
    threads = Times([demand.response_s.mean for demand in demands])
    columns = (
        text("shape"),
        figures("threads"),
        figures("CPU time", times.unit),
        figures("from", times.unit),
        figures("to", times.unit),
        figures("wait", times.unit),
        figures("idle", times.unit),
        figures("a thread takes", threads.unit),
        figures("busy vCPUs"),
        figures("CPU time beyond the least", "%"),
        text("host"),
    )
    cpu, wait, idle = ([getattr(demand, name) for demand in demands] for name in ("cpu_s", "wait_s", "idle_s"))
    parts = zip(
        demands,
        times.column([_mean(found) for found in cpu]),
        times.column([None if found is None else found.low for found in cpu], NO_INTERVAL),
        times.column([None if found is None else found.high for found in cpu], NO_INTERVAL),
        times.column([_mean(found) for found in wait]),
        times.column([_mean(found) for found in idle]),
        threads.column([demand.response_s.mean for demand in demands]),
        strict=True,
    )
    rows = tuple(
        (demand.shape, whole(demand.threads), *spent, _busy(demand), _beyond(demand), _contended(demand))
        for demand, *spent in parts
    )
    return Table(caption, columns, rows)


def values_table(values: Sequence[CellValue], unit: str, per: str) -> Table:
    """Operations for each unit of cost, cell by cell."""
    several = len({value.workload for value in values}) > 1
    factor, buys = PERIODS[per], f"per {per} and unit of price"
    columns = (
        text("shape"),
        *((text("workload"),) if several else ()),
        figures("threads"),
        figures("price", unit),
        figures("operations", buys),
        figures("from", buys),
        figures("to", buys),
    )
    parts = zip(
        values,
        below_each_other([value.price for value in values]),
        rates([value.per_cost for value in values], factor),
        rates([value.low for value in values], factor, NO_INTERVAL),
        rates([value.high for value in values], factor, NO_INTERVAL),
        strict=True,
    )
    rows = tuple(
        (value.shape, *((value.workload,) if several else ()), whole(value.threads), *bought)
        for value, *bought in parts
    )
    return Table("What the price buys", columns, rows)


def templates_table(found: Sequence[TemplateFinding], *, caption: str, per: str) -> Table:
    """The templates of one workload, in order of rank: each with its share of the next one, and its rank."""
    factor, unit = PERIODS[per], f"per {per}"
    columns = (
        text("template"),
        text("shape"),
        figures("threads"),
        figures("throughput", unit),
        figures("from", unit),
        figures("to", unit),
        figures("of the next", "%"),
        figures("share from", "%"),
        figures("share to", "%"),
        figures("share expected", "%"),
        text("share"),
        figures("beyond the one before", "%"),
        figures("gain from", "%"),
        figures("gain to", "%"),
        text("rank"),
    )
    parts = zip(
        found,
        rates([finding.throughput_per_s for finding in found], factor, Number("none", None)),
        rates([finding.low for finding in found], factor, NO_INTERVAL),
        rates([finding.high for finding in found], factor, NO_INTERVAL),
        strict=True,
    )
    rows = tuple(
        (
            finding.template,
            finding.shape,
            whole(finding.threads),
            *measured,
            *_share(finding),
            finding.as_expected or "",
            *_gain(finding),
            _RANKS[finding.rank],
        )
        for finding, *measured in parts
    )
    return Table(caption, columns, rows)


def _bounds(cells: Sequence[CellEstimate], factor: float) -> list[tuple[Number, Number]]:
    """Both ends of each interval; all of them with the same number of digits."""
    ends = rates([end for cell in cells for end in (cell.low, cell.high)], factor, NO_INTERVAL)
    return list(zip(ends[::2], ends[1::2], strict=True))


def _mean(found: Interval | None) -> float | None:
    return None if found is None else found.mean


def _busy(demand: Demand) -> Number:
    return UNAVAILABLE if demand.busy_vcpus is None else Number(f"{demand.busy_vcpus:.2f}", demand.busy_vcpus)


def _beyond(demand: Demand) -> Cell:
    if demand.leanest == demand.cell:
        return Number("least", 0.0)
    return changed(None if demand.cpu_ratio is None else demand.cpu_ratio.mean)


def _contended(demand: Demand) -> str:
    return {True: "contended", False: "", None: "?"}[demand.contended]


def _share(finding: TemplateFinding) -> tuple[Cell, ...]:
    """Share of the next one and its interval, and what is expected; empty where there is no next one."""
    if finding.next is None:
        return ("", "", "", "")
    ends = (NO_INTERVAL if end is None else percent(end, 1) for end in (finding.share_low, finding.share_high))
    expected: Cell = "" if finding.expected is None else percent(finding.expected, 1)
    return (percent(finding.share, 1), *ends, expected)


def _gain(finding: TemplateFinding) -> tuple[Cell, ...]:
    if finding.before is None:
        return ("", "", "")
    ends = (changed(end, missing=NO_INTERVAL) for end in (finding.gain_low, finding.gain_high))
    return (changed(finding.gain), *ends)
