"""The tables of a verdict: cells, and what an operation takes in each. The widest that fits the page is shown."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.cells import CellEstimate
from orchestrator.core.verdict.demand.demands import Demand
from orchestrator.core.verdict.demand.usage import costs
from orchestrator.core.verdict.value import CellValue
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import column, number, signed
from orchestrator.units import PERIODS, format_percent, format_size

#: Characters of a name in a table, and in one for a wide page; how wide such a page is.
NAME, LONG_NAME, WIDE_PAGE = 24, 60, 120
_ANY_WIDTH = 10_000
_NANOSECOND = 1e-9


class Widest:
    """Several forms of a table, from the widest to the narrowest: the first that fits the page is drawn.

    Args:
        tables: for any page.
        wide: what a wide page has instead, if it fits there.
    """

    def __init__(self, *tables: Table, wide: Table | None = None) -> None:
        self._tables, self._wide = tables, wide

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw the widest that fits, or the narrowest."""
        wide = [self._wide] if self._wide is not None and options.max_width >= WIDE_PAGE else []
        fitting = [t for t in (*wide, *self._tables) if width_of(t, console, options) <= options.max_width]
        yield (fitting or self._tables[-1:])[0]


def width_of(table: Table, console: Console, options: ConsoleOptions) -> int:
    """The width at which nothing of a table has to be folded."""
    return Measurement.get(console, options.update(max_width=_ANY_WIDTH), table).maximum


def cells_table(cells: Sequence[CellEstimate], verdict: Verdict, workload: str, per: str) -> Widest:
    """The table of one workload's cells; columns that nothing was observed for are left out."""
    differs = len({cell.memory for cell in cells}) > 1
    forms = [
        _cells(cells, verdict, workload, per, memory=memory) for memory in ((True, False) if differs else (False,))
    ]
    return Widest(*forms, wide=_cells(cells, verdict, workload, per, memory=differs, wide=True))


def demands_table(demands: Sequence[Demand], *, several: bool) -> Widest:
    """What an operation takes in each cell of one or several workloads: CPU time with its interval, wait and idle."""
    return Widest(*[_demands(demands, several=several, wide=wide) for wide in (True, False)])


def values_table(values: Sequence[CellValue], per: str, *, several: bool) -> Table:
    """Operations for each unit of cost, cell by cell."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for heading in ("shape", *(("workload",) if several else ())):
        table.add_column(heading, overflow="fold")
    for heading in ("threads", "price", f"per {per} and unit", "interval"):
        table.add_column(heading, justify="right", no_wrap=True)
    factor = PERIODS[per]
    figures = column([value.per_cost * factor for value in values])
    for value, figure in zip(values, figures, strict=True):
        bounds = "none"
        if value.low is not None and value.high is not None:
            low, high = column([value.low * factor, value.high * factor])
            bounds = f"{low}..{high}"
        names = (safe(value.shape, NAME), *((safe(value.workload, NAME),) if several else ()))
        row = (*names, str(value.threads), number(value.price), figure, bounds)
        table.add_row(*(Text(field) for field in row))
    return table


def _cells(  # noqa: PLR0913 - what a table is made of, and two forms of it
    cells: Sequence[CellEstimate], verdict: Verdict, workload: str, per: str, *, memory: bool, wide: bool = False
) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold", title_justify="left")
    if len({c.workload for c in verdict.cells}) > 1:
        table.title = Text(safe(workload, NAME), style="bold")
    chosen = {(r.threads, r.shape) for r in verdict.recommendations if r.workload == workload}
    shares = any(share is not None for c in cells for share in (c.run, c.wait, c.idle))
    costly = any(c.cpu_seconds_per_operation is not None for c in cells)
    table.add_column("")
    table.add_column("shape", overflow="fold")
    for heading in ("vCPUs", *(("memory",) if memory else ()), "threads", "trials", f"per {per}"):
        table.add_column(heading, justify="right")
    table.add_column("interval", justify="right", no_wrap=True)
    each = wide and any(len(cell.per_vcpu) > 1 for cell in cells)
    columns = (*(("run", "wait", "idle") if shares else ()), *(("CPU/op",) if costly else ()))
    for heading in columns:
        table.add_column(heading, justify="right", no_wrap=True)
    if each:
        table.add_column("run/wait/idle % of each vCPU", no_wrap=True)
    factor = PERIODS[per]
    rates = column([cell.throughput_per_s * factor for cell in cells])
    for cell, rate, interval, spent in zip(cells, rates, _intervals(cells, factor), _costs(cells), strict=True):
        best = (cell.threads, cell.shape) in chosen
        row = [
            "*" if best else "",
            safe(cell.shape, LONG_NAME if wide else NAME),
            str(cell.vcpus),
            *((memory_text(cell.memory),) if memory else ()),
            str(cell.threads),
            str(cell.trials),
            rate,
            interval,
            *([_percent(share) for share in (cell.run, cell.wait, cell.idle)] if shares else []),
            *([spent] if costly else []),
            *([_each(cell)] if each else []),
        ]
        table.add_row(*(Text(field) for field in row), style="bold" if best else "")
    return table


def memory_text(memory: int | None) -> str:
    """A size of memory in bytes, or that it was not noted."""
    return "?" if memory is None else format_size(memory)


def _each(cell: CellEstimate) -> str:
    """Each vCPU's run/wait/idle in whole percent: ``67/33/0 67/33/0``."""
    shown = [
        "/".join(_percent(part)[:-2] or "?" for part in (vcpu.run, vcpu.wait, vcpu.idle)) for vcpu in cell.per_vcpu
    ]
    return " ".join(shown) or "?"


def _intervals(cells: Sequence[CellEstimate], factor: float) -> list[str]:
    bounds = [bound * factor for c in cells if c.low is not None and c.high is not None for bound in (c.low, c.high)]
    figures = iter(column(bounds))
    return ["none" if c.low is None or c.high is None else f"{next(figures)}..{next(figures)}" for c in cells]


def _percent(share: float | None) -> str:
    return "?" if share is None else format_percent(share, 0)


def _costs(cells: Sequence[CellEstimate]) -> list[str]:
    figures = iter(costs([c.cpu_seconds_per_operation for c in cells if c.cpu_seconds_per_operation is not None]))
    return ["?" if c.cpu_seconds_per_operation is None else next(figures) for c in cells]


def _demands(demands: Sequence[Demand], *, several: bool, wide: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("")
    for heading in ("shape", *(("workload",) if several else ())):
        table.add_column(heading, overflow="fold")
    figures = (
        "threads",
        "CPU/op",
        "interval",
        "wait/op",
        "idle/op",
        *(("response", "busy vCPUs", "CPU more") if wide else ()),
    )
    for heading in figures:
        table.add_column(heading, justify="right", no_wrap=True)
    times = [_times([getattr(d, name) for d in demands]) for name in ("cpu_s", "wait_s", "idle_s", "response_s")]
    for demand, cpu, wait, idle, response in zip(demands, *times, strict=True):
        row = [
            "!" if demand.contended else "",
            safe(demand.shape, NAME),
            *((safe(demand.workload, NAME),) if several else ()),
            str(demand.threads),
            cpu,
            _span(demand.cpu_s),
            wait,
            idle,
        ]
        if wide:
            more = demand.cpu_ratio
            row += [
                response,
                "?" if demand.busy_vcpus is None else f"{demand.busy_vcpus:.2f}",
                "least" if demand.leanest == demand.cell else "?" if more is None else _more(more),
            ]
        table.add_row(*(Text(field) for field in row))
    return table


def _more(ratio: Interval) -> str:
    return signed(ratio.mean, whole=ratio.low is None)


def _times(found: Sequence[Interval | None]) -> list[str]:
    """Times below each other; below a nanosecond there is only rounding."""
    figures = iter(costs([seconds.mean for seconds in found if seconds is not None and seconds.mean >= _NANOSECOND]))
    return ["?" if seconds is None else "0" if seconds.mean < _NANOSECOND else next(figures) for seconds in found]


def _span(seconds: Interval | None) -> str:
    """An interval in the unit of its mean: ``0.78..0.81``."""
    if seconds is None or seconds.low is None or seconds.high is None:
        return "none"
    unit = costs([seconds.mean])[0].split()[-1]
    factor = {"s": 1.0, "ms": 1e3, "µs": 1e6}[unit]
    low, high = column([float(f"{bound * factor:.3g}") for bound in (seconds.low, seconds.high)])
    return f"{low}..{high}"
