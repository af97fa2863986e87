"""What the report of runs set against each other says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from orchestrator.adapters.report import compare_words as words
from orchestrator.adapters.report.content import answer
from orchestrator.adapters.report.content.changes import change_sections, mark
from orchestrator.adapters.report.content.identity import below, distinct
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.content.throughput import throughput_section
from orchestrator.adapters.report.content.trials import trials_section
from orchestrator.adapters.report.document.minus import with_true_minus
from orchestrator.adapters.report.document.parts import Document, Paragraph, Section
from orchestrator.core.verdict.between_runs.results import RunsCompared
from orchestrator.core.verdict.words import capital, so_many_of, some_of
from orchestrator.units import format_percent


def comparison_document(
    compared: Sequence[RunsCompared], base_called: str, sources: Mapping[str, RunSource], per: str
) -> Document:
    """The report of one new run or several against a base.

    Args:
        compared: one for each new run, as they were given; at least one, and all with the same base.
        base_called: what the base is called beside the ids of its runs; empty where it has no name.
        sources: the runs by id, as far as they can be read.
        per: period of the throughputs.
    """
    first, *others = compared
    new, base = words.title(first, base_called)
    if others:
        new = f"Runs {', '.join(one.new for one in compared)}"
    return with_true_minus(
        Document(
            kind="comparison",
            title=_title(compared, sources),
            about=f"{new}, {base}",
            answer=" ".join([first.answer] if not others else words.in_short(compared)[:-1]),
            certainty=_certainty(compared),
            mark=mark(compared),
            warnings=tuple(_warnings(sources)),
            sections=distinct([*_against(compared, per), *_runs(compared, sources, per)]),
        )
    )


def _title(compared: Sequence[RunsCompared], sources: Mapping[str, RunSource]) -> str:
    """What was asked; where the runs asked different questions all of them, or the first ones."""
    runs = [run for one in compared for run in (*one.base, one.new)]
    titles = list(dict.fromkeys(sources[run].run.record.title for run in runs if run in sources))
    if not titles:
        return "Runs set against each other"
    return titles[0] if len(titles) == 1 else f"Compared: {some_of(titles, named=2)}"


def _certainty(compared: Sequence[RunsCompared]) -> str:
    first, *others = compared
    if others:
        return words.in_short(compared)[-1]
    if first.repetition is not None:
        return first.repetition.sentence
    if not first.changes:
        return ""
    decided, cells = sum(change.verdict != "undecided" for change in first.changes), len(first.changes)
    together = ", for all cells together" if cells > 1 else ""
    confidence = f"at {format_percent(first.confidence)} confidence{together}"
    if not decided:
        return f"Nothing is decided {confidence}."
    is_or_are = "is" if decided == 1 else "are"
    return f"{capital(so_many_of(decided, cells, 'cell'))} {is_or_are} decided {confidence}."


def _warnings(sources: Mapping[str, RunSource]) -> Iterator[str]:
    """Those of each run; what is true of all of them once."""
    told: dict[str, list[str]] = {}
    for name, source in sources.items():
        for warning in answer.warnings(source):
            told.setdefault(warning, []).append(name)
    for warning, runs in told.items():
        yield warning if len(runs) == len(sources) else f"Run {', '.join(runs)}: {warning}"


def _against(compared: Sequence[RunsCompared], per: str) -> Iterator[Section]:
    """What each comparison says; of several, each under a heading of its own."""
    if len(compared) == 1:
        yield from change_sections(compared[0], per)
        return
    for number, found in enumerate(compared, start=1):
        parts = tuple(below(section, f"new-{number}") for section in change_sections(found, per))
        yield Section(f"new-{number}", f"Run {found.new} against the base", (Paragraph(found.answer),), parts)


def _runs(compared: Sequence[RunsCompared], sources: Mapping[str, RunSource], per: str) -> Iterator[Section]:
    """Each run by itself, folded: its answer, its cells and its trials."""
    base = compared[0].base
    named = [("base", "The base", base[0])]
    if len(base) > 1:
        named = [(f"base-{n}", f"Run {n} of the base", run) for n, run in enumerate(base, start=1)]
    if len(compared) > 1:
        named += [(f"run-{n}", f"New run {n}", one.new) for n, one in enumerate(compared, start=1)]
    else:
        named.append(("new", "The new run", compared[0].new))
    said: dict[str, str] = {}
    for name, side, run in named:
        if (source := sources.get(run)) is not None:
            yield _run(name, side, source, per, said)


def _run(name: str, side: str, source: RunSource, per: str, said: dict[str, str]) -> Section:
    """One run.

    Args:
        name: of the section, and what all ids in it begin with.
        side: its heading: ``The base``, ``New run 2``.
        source: the run.
        per: period of the throughput.
        said: answers of runs before it, with the run; this one's is added.
    """
    first, told = not said, answer.answer(source)
    if (same := said.setdefault(told, source.run.record.id)) != source.run.record.id:
        told = f"Its answer is that of run {same}."
    parts = [*throughput_section(source, per, explained=first), trials_section(source, per)]
    return Section(
        name,
        side,
        (Paragraph(told), Paragraph(f"{answer.about(source.run)}.")),
        tuple(below(part, name) for part in parts),
        folded=True,
        mark=answer.mark(source),
        summary=source.run.record.id,
    )
