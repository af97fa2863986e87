"""Runs set against each other as Markdown with tables, to be pasted into an issue tracker.

CommonMark 0.31 with the table extension that trackers share; no HTML. Whatever a guest or a plan said is escaped.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from orchestrator.adapters.report import compare_words as words
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import SENTENCE
from orchestrator.adapters.report.signs import true_minus
from orchestrator.core.verdict.between_runs.results import RunsCompared

#: What could begin emphasis, code, a link, a heading, HTML, an entity, a formula or another column.
_ACTIVE = re.compile(r"([\\`*_{}\[\]<>#|~&$])")
#: What would begin a list at the start of a line, or draw a line across the page.
_LIST = re.compile(r"^([-+]|\d+[.)])(?=\s|$)|^-(?=[-\s]*$)")


def comparison_markdown(found: RunsCompared, *, base_called: str = "") -> str:
    """A new run against its base, in the period of the comparison."""
    blocks = [f"### {escaped(' '.join(words.title(found, base_called)))}", escaped(found.answer)]
    if found.repetition is not None:
        blocks += [escaped(found.repetition.sentence), *_list(found.repetition.shapes)]
    if found.changes:
        legend = f"{words.rates_legend(found, found.per)} {words.legend(found, cpu=words.cpu_known(found))}"
        blocks += ["\n".join(_table(found)), escaped(legend)]
    together = "All cells together" if len(found.changes) > 1 else "For its size"
    blocks += _section(together, words.all_together(found, found.per))
    blocks += _section("Undecided", words.what_would_decide(found))
    groups = words.surroundings(found) or [("", [words.NOTHING_ELSE])]
    blocks.append("**What else is not the same**")
    for weight, sentences in groups:
        blocks += [*([f"{weight}:"] if weight else []), *_list(sentences)]
    blocks += _section("Not compared", words.not_compared(found))
    blocks += _section("Remarks", words.remarks(found))
    return "\n\n".join(blocks) + "\n"


def comparisons_markdown(found: Sequence[RunsCompared], *, base_called: str = "") -> str:
    """Several new runs against one base, and a line on all of them."""
    pages = [comparison_markdown(one, base_called=base_called) for one in found]
    if len(found) > 1:
        pages.append("\n\n".join(["### In short", *_list(words.in_short(found))]) + "\n")
    return "\n".join(pages)


def _table(found: RunsCompared) -> Iterator[str]:
    cpu = words.cpu_known(found)
    figures = ("trials", "base", "new", "change", "interval", *(("per CPU s",) if cpu else ()))
    yield _row(["cell", "verdict", *figures])
    yield _row(["---", "---", *(["---:"] * len(figures))])
    cells = words.ordered(found.changes)
    for cell, figure in zip(cells, words.figures(cells, found.per), strict=True):
        verdict = f"**{cell.verdict}**" if cell.verdict in {"slower", "faster"} else cell.verdict
        row = [figure.trials, figure.base, figure.new, figure.change, figure.interval, *([figure.cpu] if cpu else [])]
        yield _row([escaped(cell.cell), verdict, *map(escaped, row)])


def _row(fields: Sequence[str]) -> str:
    return f"| {' | '.join(fields)} |"


def _section(title: str, sentences: Sequence[str]) -> list[str]:
    return [f"**{title}**", *_list(sentences)] if sentences else []


def _list(sentences: Sequence[str]) -> list[str]:
    return ["\n".join(f"- {escaped(sentence)}" for sentence in sentences)] if sentences else []


def escaped(text: str) -> str:
    """A text as it reads: nothing in it begins anything in Markdown."""
    plain = _ACTIVE.sub(r"\\\1", true_minus(safe(text, SENTENCE)))
    return _LIST.sub(lambda begin: f"{begin[0][:-1]}\\{begin[0][-1]}", plain)
