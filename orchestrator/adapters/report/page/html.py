"""A document as a page: one file that opens from disk, or the part of it that a served page shows."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from orchestrator.adapters.report.charts import compiled
from orchestrator.adapters.report.document.parts import MARK_WORDS, Chart, Document
from orchestrator.adapters.report.page import assets
from orchestrator.adapters.report.plain import LONGEST_IN_REPORT, safe, visible

#: Between a figure and its unit, where no line is to end.
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|[mµ]?s|min|h|[KMGT]iB|vCPUs?)(?!\w))|(?<=±) (?=\d)")

#: Dates, ids of cells, keys of plans: where they are short, no line ends at one of their hyphens.
_HYPHENED = re.compile(r"(?<![\w-])(?=[\w-]{5,24}(?![\w/-]))\w+(?:-\w+){2,}")


def report_page(document: Document) -> str:
    """A page that holds all it needs: it asks nobody for anything, and may be kept, sent and opened from disk.

    Args:
        document: what it says.

    Returns:
        HTML; the same for the same document.
    """
    style, library, script = assets.stylesheet(), assets.library(), assets.script()
    return (
        environment()
        .get_template("report.html")
        .render(
            document=document,
            policy=assets.policy(scripts=(library, script), styles=(style,)),
            body=body(document),
            charts=chart_json(document),
            style=Markup(style),  # noqa: S704 - ours, as are the two below
            library=Markup(library),  # noqa: S704
            script=Markup(script),  # noqa: S704
        )
    )


def body(document: Document, headings_from: int = 1) -> Markup:
    """What stands in a page's ``main``.

    Args:
        document: what it says.
        headings_from: rank of its title; sections are the rank below.
    """
    template = environment().get_template("document.html")
    return Markup(template.render(document=document, rank=headings_from))  # noqa: S704 - escaped by the environment


def chart_json(document: Document) -> Markup:
    """:func:`chart_data` as the text of a script element of the type ``application/json``."""
    text = json.dumps(chart_data(document), ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for sign in "<>&":  # nothing in it can end the element, or begin another
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)  # noqa: S704


def chart_data(document: Document) -> dict[str, Any]:
    """What the page's script draws.

    Returns:
        ``specs``: Vega by key, one for all charts that share a template. ``charts``: for each its ``id``, ``spec`` (the
        key), ``title``, and ``data``: by name of the data set its ``fields`` and, in that order, a list of values for
        each in ``columns``.
    """
    specs: dict[str, Any] = {}
    charts = []
    for chart in document.charts():
        key = chart.template or chart.id
        if key not in specs:
            specs[key] = compiled.vega(chart)
        charts.append({"id": chart.id, "spec": key, "title": _shown(chart.title), "data": _packed(chart)})
    return {"specs": specs, "charts": charts}


@cache
def environment() -> Environment:
    """Where templates are found and how they write: every text is made safe, then escaped, but for markup of ours."""
    made = Environment(
        loader=PackageLoader(__package__),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(words=MARK_WORDS, newline=Markup("\n"))
    made.filters.update(kind=lambda block: type(block).__name__, lines=_lines, exact=_exact, joined=_joined)
    return made


def _shown(value: Any) -> Any:
    return safe(value, LONGEST_IN_REPORT) if isinstance(value, str) and not isinstance(value, Markup) else value


def _joined(text: str) -> Markup:
    """Running text: figures stay with their units and short names are whole; what is copied has common spaces."""
    unbroken = _HYPHENED.sub(r'<span class="unbroken">\g<0></span>', str(escape(_shown(text))))
    return Markup(_BEFORE_UNIT.sub("&nbsp;", unbroken))  # noqa: S704 - escaped, but for what is ours


def _exact(value: float) -> str:
    """The shortest text that reads as the same number."""
    return repr(float(value)).removesuffix(".0")


def _lines(text: str) -> list[str]:
    """Line by line as it was given; any other sign of a line's end than LF and CR LF stands there as its escape."""
    return [line.removesuffix("\r") for line in text.removesuffix("\n").split("\n")]


def _packed(chart: Chart) -> dict[str, Any]:
    """Its data by column: names of fields stand once, not in every row."""
    return {name: _columns(rows) for name, rows in chart.data.items()}


def _columns(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    fields = list(dict.fromkeys(field for row in rows for field in row))
    return {"fields": fields, "columns": [[visible(row.get(field)) for row in rows] for field in fields]}
