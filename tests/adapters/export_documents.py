"""Reports for the tests of what writes them: every kind of part, and texts that try to be more than text."""

from __future__ import annotations

from typing import Any

from orchestrator.adapters.report.document.parts import (
    Beside,
    Chart,
    Checks,
    Column,
    Document,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
    Verbatim,
)

#: What a guest, a plan or a machine may be called by somebody who means no good.
HOSTILE = (
    "=cmd|' /C calc'!A0",
    "+1+1",
    "@SUM(1,1)",
    "-2",
    "<script>alert(1)</script>",
    "| a | b |",
    "# heading",
    "---",
    "    indented",
    "1. first",
    "`code` *bold* _it_ [link](https://bad.example) ![i](x) &lt; ~~no~~",
    "https://bad.example/x www.bad.example",
    '#strong[x] $x^2$ @ref <label> \\ #include "/etc/passwd"',
    "two\nlines\r\nand\ttabs",
    "\x1b[31mred\x1b[0m \x07",
    "right\u202eto\u2066left\u200b",
    "\ud800 lone",
    "x" * 10_000,
    "",
)


def chart(id: str = "throughput-bookings", **changes: Any) -> Chart:  # noqa: A002 - as the part names it
    """A chart of two bars."""
    spec = {
        "data": {"values": [{"cell": "one", "per_s": 1203.5}, {"cell": "two", "per_s": 2406.25}]},
        "mark": {"type": "bar", "color": "var(--plot-run)"},
        "encoding": {
            "x": {"field": "per_s", "type": "quantitative"},
            "y": {"field": "cell", "type": "nominal"},
        },
        "width": "container",
        "height": 60,
        "padding": {"left": 60, "right": 16, "top": 8, "bottom": 40},
        "autosize": {"type": "none", "contains": "padding"},
        "config": {"background": "transparent"},
    }
    facts: dict[str, Any] = {
        "id": id,
        "title": "Throughput of bookings, operations a second",
        "alternative": "Shape two does 2406 operations a second, shape one 1203.",
        "spec": spec,
        "height_px": 108,
        "table": figures(),
    }
    return Chart(**facts | changes)


def figures(**changes: Any) -> Table:
    """A table of two cells, the second of which is recommended."""
    facts: dict[str, Any] = {
        "caption": "Throughput of bookings",
        "columns": (
            Column("cell"),
            Column("throughput", "operations a second", figures=True),
            Column("wait", "%", figures=True),
            Column("answer"),
        ),
        "rows": (
            ("one-bookings-t1", Number("1203.5", 1203.512345), Number("0", 0.0), ""),
            ("two-bookings-t2", Number("2406", 2406.25), Number("?", None), "recommended"),
        ),
        "marked": frozenset({1}),
        "note": "Means over four blocks.",
    }
    return Table(**facts | changes)


def document(**changes: Any) -> Document:
    """A report with every kind of part."""
    trial = Section(
        "trial-1",
        "Trial 1",
        (
            Paragraph("Steady from 12 s on."),
            Checks((("other load", "doubt", "12 % of the host was busy"), ("shape", "good", "2 CPUs are online"))),
            chart("trial-1", table=None),
        ),
        folded=True,
        mark="doubt",
        summary="1203 a second",
    )
    facts: dict[str, Any] = {
        "kind": "run",
        "title": "How many vCPUs does the bookings database need?",
        "about": "run 20260801T101112Z-how-many, guest bookings-1, 2026-08-01",
        "answer": "Take shape two (2 vCPUs) for two threads.",
        "certainty": "This is shown at 95 % confidence.",
        "mark": "good",
        "warnings": ("This guest is simulated.",),
        "sections": (
            Section("throughput", "Throughput", (Beside((chart(), chart("time-bookings"))),)),
            Section("reasons", "Reasons", (Sentences(("It is faster.", "It does not wait.")), figures())),
            Section("trials", "Trials", parts=(trial,)),
            Section("environment", "Environment", (Facts((("kernel", "6.1.0"), ("microcode", "?"))),)),
            Section("plan", "Plan", (Verbatim("plan.yaml", "title: ferries\nshapes:\n  - name: one\n\n"),)),
        ),
    }
    return Document(**facts | changes)


def hostile() -> Document:
    """A report whose every text is one that tries to be more than text."""
    table = Table(
        "=A1 [x]: */?\\ '" + "y" * 40,
        (Column("=1+1", "<b>"), Column("figure", "|", figures=True)),
        tuple((text, Number(text, 1.0)) for text in HOSTILE),
        note=HOSTILE[0],
    )
    sections = tuple(
        Section(
            f"part-{number}",
            text,
            (
                Paragraph(text),
                Sentences((text, text)),
                Facts(((text, text),)),
                Checks(((text, "bad", text),)),
                Verbatim(text, f"{text}\n```\n{text}"),
            ),
            mark="bad",
            summary=text,
        )
        for number, text in enumerate(HOSTILE)
    )
    shown = Section("tables", "Tables", (table, table, chart(title=HOSTILE[4], alternative=HOSTILE[-2], table=table)))
    return Document(
        "run", " ".join(HOSTILE[:7]), HOSTILE[13], HOSTILE[10], HOSTILE[15], "bad", HOSTILE, (*sections, shown)
    )
