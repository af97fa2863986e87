"""Runs set against each other, for the terminal: the answer, the cells, and beside them what else is not the same."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.padding import Padding
from rich.table import Table

from orchestrator.adapters.report import compare_words as words
from orchestrator.adapters.report.comparisons_text import SIGNS
from orchestrator.adapters.report.figures import rate_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE, bullets, heading, section
from orchestrator.adapters.report.text import Text
from orchestrator.adapters.report.verdict_tables import LONG_NAME, NAME, WIDE_PAGE, memory_text, width_of
from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared


def render_comparison(found: RunsCompared, *, per: str | None = None, base_called: str = "") -> RenderableType:
    """A new run against its base; fits 80 columns.

    Args:
        found: what to show.
        per: period of the throughputs; the comparison's own when not given.
        base_called: what the base is called beside the ids of its runs: ``baseline before-upgrade``.
    """
    per = found.per if per is None else per
    parts: list[RenderableType] = [
        *(Text(safe(line, SENTENCE), style="bold") for line in words.title(found, base_called)),
        Text(safe(found.answer, SENTENCE)),
        *_repetition(found),
        Text(),
        *_tables(found, per),
        *section("All cells together" if len(found.changes) > 1 else "For its size", words.all_together(found, per)),
        *section("Undecided", words.what_would_decide(found)),
        *_surroundings(found),
        *section("Not compared", words.not_compared(found)),
        *section("Remarks", words.remarks(found)),
    ]
    return Group(*(parts[:-1] if isinstance(parts[-1], Text) and not parts[-1].plain else parts))


def render_comparisons(
    found: Sequence[RunsCompared], *, per: str | None = None, base_called: str = ""
) -> RenderableType:
    """Several new runs against one base, one below the other, and a line on all of them."""
    parts: list[RenderableType] = []
    for one in found:
        parts += [render_comparison(one, per=per, base_called=base_called), Text()]
    if len(found) > 1:
        parts += section("In short", words.in_short(found))
    return Group(*parts[:-1])


def _repetition(found: RunsCompared) -> list[RenderableType]:
    if found.repetition is None:
        return []
    return [Text(safe(found.repetition.sentence, SENTENCE)), *bullets(found.repetition.shapes)]


def _tables(found: RunsCompared, per: str) -> Iterator[RenderableType]:
    """A table for each load, since their rates are not of one kind."""
    if not found.changes:
        return
    loads = [list(alike) for _, alike in groupby(words.ordered(found.changes), key=lambda c: c.workload)]
    cpu = words.cpu_known(found)
    wide = [_Form(wide=True, trials=True, cpu=cpu)]
    forms = [*wide, _Form(trials=True), _Form(), _Form(folded=True), _Form(rates=False)]
    if cpu:
        forms = [*wide, _Form(trials=True, cpu=True), _Form(cpu=True), *forms[2:]]
    yield _Alike(
        [
            (
                [_table(cells, per, form, titled=len(loads) > 1) for cells in loads],
                Text(safe(_legend(found, per, form), SENTENCE), style="dim"),
            )
            for form in forms
        ],
        wide=len(wide),
    )


def _legend(found: RunsCompared, per: str, form: _Form) -> str:
    of_changes = words.legend(found, cpu=form.cpu)
    return f"{words.rates_legend(found, per)} {of_changes}" if form.rates else of_changes


#: Width of a name that is folded.
_FOLDED = 14


class _Form(NamedTuple):
    """Which columns a table has beside cell, change and interval.

    ``folded``: long names take several lines; ``wide``: they are given in full, with the size and each side's interval.
    """

    wide: bool = False
    trials: bool = False
    rates: bool = True
    cpu: bool = False
    folded: bool = False


class _Alike:
    """Tables with the same columns and what these mean, from the widest form to the narrowest: the first that fits."""

    def __init__(self, forms: Sequence[tuple[Sequence[Table], Text]], *, wide: int) -> None:
        self._forms, self._wide = forms, wide

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Draw the widest form of which every table fits, or the narrowest."""
        forms = self._forms[0 if options.max_width >= WIDE_PAGE else self._wide :]
        tables, legend = next((form for form in forms if self._fits(form[0], console, options)), forms[-1])
        for table in tables:
            yield from (table, Text())
        yield from (legend, Text())

    @staticmethod
    def _fits(tables: Sequence[Table], console: Console, options: ConsoleOptions) -> bool:
        return all(width_of(table, console, options) <= options.max_width for table in tables)


def _table(cells: Sequence[Change], per: str, form: _Form, *, titled: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold", title_justify="left")
    if titled:
        table.title = Text(safe(cells[0].workload, NAME), style="bold")
    table.add_column("", no_wrap=True)
    table.add_column("shape", overflow="fold", max_width=_FOLDED if form.folded else None)
    size = ("vCPUs", "memory") if form.wide else ()
    rates = ("base", "new") if form.rates else ()
    figures = (*size, "threads", *(("trials",) if form.trials else ()), *rates, "change", "interval")
    for name in (*figures, *(("per CPU s",) if form.cpu else ())):
        table.add_column(name, justify="right", no_wrap=name != "interval", overflow="fold")
    for cell, told in zip(cells, words.figures(cells, per), strict=True):
        sign, style = SIGNS[cell.verdict]
        row = [safe(cell.shape, LONG_NAME if form.wide else NAME)]
        row += [str(cell.vcpus), memory_text(cell.memory)] if form.wide else []
        row += [str(cell.threads), *([told.trials] if form.trials else [])]
        row += _sides(cell, per) if form.wide else [told.base, told.new] if form.rates else []
        row += [told.change, told.interval]
        row += [told.cpu] if form.cpu else []
        table.add_row(Text(f"{sign} {cell.verdict}", style=style), *(Text(field) for field in row))
    return table


def _sides(cell: Change, per: str) -> list[str]:
    """Both throughputs, each with half the width of its own interval."""
    base = Interval(mean=cell.base_per_s, low=cell.base_low, high=cell.base_high)
    new = Interval(mean=cell.new_per_s, low=cell.new_low, high=cell.new_high)
    return [rate_text(base, per), rate_text(new, per)]


def _surroundings(found: RunsCompared) -> Iterator[RenderableType]:
    yield heading("What else is not the same")
    groups = words.surroundings(found)
    if not groups:
        yield from bullets([words.NOTHING_ELSE])
    for weight, sentences in groups:
        yield Padding(Text(f"{weight}:"), (0, 0, 0, 1))
        yield from bullets(sentences)
    yield Text()
