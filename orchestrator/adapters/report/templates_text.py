"""A catalogue of templates on a page: each with its share of the next one, and what became of its rank."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import RenderableType
from rich.table import Table

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import bullets, heading
from orchestrator.adapters.report.text import Text
from orchestrator.adapters.report.verdict_tables import NAME, Widest
from orchestrator.core.verdict.templates import TemplateFinding
from orchestrator.core.verdict.words import column
from orchestrator.units import PERIODS, format_percent

_RANKS = {"kept": "kept", "lost": "lost", "undecided": "open", None: ""}


def render_templates(
    found: Sequence[TemplateFinding], *, margin: float, confidence: float, per: str
) -> Iterator[RenderableType]:
    """A row a template, then a sentence for each that is not shown to be as it should; nothing without templates.

    Args:
        found: in the order of the catalogue.
        margin: within which a share counts as expected.
        confidence: of all intervals together.
        per: period of the throughput column.
    """
    if not found:
        return
    yield heading(
        f"Templates (margin {format_percent(margin)}, {format_percent(confidence)} confidence for all of them together)"
    )
    several = len({finding.workload for finding in found}) > 1
    for workload in dict.fromkeys(finding.workload for finding in found):
        ladder = [finding for finding in found if finding.workload == workload]
        titled = safe(workload, NAME) if several else ""
        yield Widest(*[_table(ladder, per, titled, shapes=shapes) for shapes in (True, False)])
    yield from bullets(finding.sentence for finding in found if finding.broken or finding.open)
    yield Text()


def _table(found: Sequence[TemplateFinding], per: str, titled: str, *, shapes: bool) -> Table:
    """The templates of one workload."""
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold", title_justify="left")
    if titled:
        table.title = Text(titled, style="bold")
    table.add_column("")
    for name in ("template", *(("shape",) if shapes else ())):
        table.add_column(name, overflow="fold")
    for name in ("threads", f"per {per}", "of the next", "interval", "expected", "rank"):
        table.add_column(name, justify="right", no_wrap=True)
    rates = iter(column([f.throughput_per_s * PERIODS[per] for f in found if f.throughput_per_s is not None]))
    for finding in found:
        sign, style = _sign(finding)
        row = [
            safe(finding.template, NAME),
            *((safe(finding.shape, NAME),) if shapes else ()),
            str(finding.threads),
            "none" if finding.throughput_per_s is None else next(rates),
            _percent(finding.share, "" if finding.next is None else "?"),
            _interval(finding),
            _percent(finding.expected, ""),
            _RANKS[finding.rank],
        ]
        table.add_row(Text(sign, style=style), *(Text(field) for field in row))
    return table


def _sign(finding: TemplateFinding) -> tuple[str, str]:
    """A sign for the worst that is found of a template, as the words of a comparison have them."""
    if finding.broken:
        return "-", "red"
    return ("?", "yellow") if finding.open or finding.throughput_per_s is None else ("=", "cyan")


def _percent(share: float | None, otherwise: str) -> str:
    return otherwise if share is None else format_percent(share)


def _interval(finding: TemplateFinding) -> str:
    """``67.2..70.9 %``."""
    if finding.share_low is None or finding.share_high is None:
        return "" if finding.share is None else "none"
    return f"{format_percent(finding.share_low)[:-2]}..{format_percent(finding.share_high)}"
