"""Why: the reasons of each recommendation, the comparisons they rest on, and what has to be known beside them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby

from orchestrator.adapters.report.comparisons_text import QUESTIONS
from orchestrator.adapters.report.document.numbers import NO_INTERVAL, changed, figures, text, whole
from orchestrator.adapters.report.document.parts import Block, Cell, Mark, Number, Paragraph, Section, Sentences, Table
from orchestrator.adapters.report.verdict_choice import decisive, spoken
from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.minutes import TimeUse
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import capital, count, in_words, listed
from orchestrator.units import format_percent

#: Of each basis, how the recommendation stands, in a word or two.
_STANDING: Mapping[str, tuple[Mark, str]] = {
    "shown": ("good", "shown by the intervals"),
    "figures": ("doubt", "on the figures only"),
    "single readings": ("doubt", "on figures without an interval"),
    "only shape measured": ("open", "the only shape measured"),
}
_CHANGE = "What would change it:"


def reasons_section(verdict: Verdict) -> Iterator[Section]:
    """A part for each load, what several have in common, and how size and threads go together; nothing without any."""
    chosen = spoken(verdict)
    if not chosen and not verdict.fits:
        return
    speak = _shared([(found, found.reasons) for found in chosen])
    change = _shared([(found, found.would_change) for found in chosen])
    own = [(_less(found.reasons, speak), _less(found.would_change, change)) for found in chosen]
    parts = [
        _recommendation(at, found, verdict, told)
        for at, (found, told) in enumerate(zip(chosen, own, strict=True), start=1)
    ]
    if speak or change:
        blocks = _told(_once(speak, chosen, verdict), _once(change, chosen, verdict))
        parts.append(Section("reasons-shared", "For several loads alike", blocks))
    if verdict.fits:
        parts.append(Section("fits", "Size and threads", (Sentences(tuple(fit.sentence for fit in verdict.fits)),)))
    yield Section("reasons", "Why", parts=tuple(parts))


def _shared(found: Sequence[tuple[Recommendation, Sequence[str]]]) -> dict[str, list[Recommendation]]:
    """Sentences that are true of several loads, with these: each is told once."""
    told: dict[str, list[Recommendation]] = {}
    for one, sentences in found:
        for sentence in dict.fromkeys(sentences):
            told.setdefault(sentence, []).append(one)
    return {sentence: loads for sentence, loads in told.items() if len(loads) > 1}


def _less(sentences: Sequence[str], shared: Mapping[str, object]) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence not in shared)


def _once(
    shared: Mapping[str, Sequence[Recommendation]], chosen: Sequence[Recommendation], verdict: Verdict
) -> tuple[str, ...]:
    """``The intervals show it ... (one and two threads)``; without the loads where it is true of all."""
    return tuple(
        sentence if len(loads) == len(chosen) else f"{sentence.removesuffix('.')} ({_loads(loads, verdict)})."
        for sentence, loads in shared.items()
    )


def _told(reasons: tuple[str, ...], change: tuple[str, ...]) -> tuple[Block, ...]:
    return (
        *((Sentences(reasons),) if reasons else ()),
        *((Paragraph(_CHANGE), Sentences(change)) if change else ()),
    )


def _loads(found: Sequence[Recommendation], verdict: Verdict) -> str:
    """``one, two and four threads``; by workload where there are several."""
    parts = []
    for workload, alike in groupby(found, key=lambda one: one.workload):
        *others, last = [one.threads for one in alike]
        threads = listed([*(in_words(number) for number in others), count(last, "thread")])
        parts.append(f"{threads}{_of(workload, verdict)}")
    return listed(parts)


def _of(workload: str, verdict: Verdict) -> str:
    return f" of {workload}" if len({one.workload for one in verdict.recommendations}) > 1 else ""


def _recommendation(
    at: int, found: Recommendation, verdict: Verdict, own: tuple[tuple[str, ...], tuple[str, ...]]
) -> Section:
    mark, standing = _STANDING[found.basis]
    told = f"{count(found.threads, 'thread')}{_of(found.workload, verdict)}: shape {found.shape}"
    if others := [shape for shape in found.candidates if shape != found.shape]:
        told += f"; {listed(others, joint='or')} may be the right one as well"
    return Section(f"reasons-{at}", capital(told), _told(*own), mark=mark, summary=standing)


def comparisons_section(verdict: Verdict) -> Iterator[Section]:
    """All comparisons, those that the recommendations rest on marked; nothing where there are none."""
    if not verdict.comparisons:
        return
    rests_on = set(map(id, decisive(verdict)))
    several = len({one.workload for one in verdict.comparisons}) > 1
    tables = []
    for (workload, question), alike in groupby(verdict.comparisons, key=lambda one: (one.workload, one.question)):
        caption = f"{QUESTIONS[question]}{f' ({workload})' if several else ''}"
        tables.append(_table(list(alike), caption, rests_on))
    margin, confidence = format_percent(verdict.margin), format_percent(verdict.confidence)
    told = f"Margin {margin}; {confidence} confidence for all comparisons of a workload together."
    yield Section("comparisons", "Comparisons", (Paragraph(told), *tables))


def _table(found: Sequence[Comparison], caption: str, rests_on: set[int]) -> Table:
    paired, is_open = any(one.paired for one in found), any(one.verdict == "undecided" for one in found)
    columns = (
        text("of"),
        text("against"),
        text("verdict"),
        figures("change", "%"),
        figures("from", "%"),
        figures("to", "%"),
        figures("blocks" if paired else "readings"),
        *((figures("more blocks would decide" if paired else "more readings would decide"),) if is_open else ()),
        text("the choice"),
    )
    rows: list[tuple[Cell, ...]] = []
    for one in found:
        single = one.low is None
        rows.append(
            (
                _cell(one.new_shape, one.new_threads),
                _cell(one.base_shape, one.base_threads),
                one.verdict,
                changed(one.ratio, is_whole=single),
                changed(one.low, missing=NO_INTERVAL),
                changed(one.high, missing=NO_INTERVAL),
                whole(one.readings),
                *((_more(one),) if is_open else ()),
                "rests on it" if id(one) in rests_on else "",
            )
        )
    marked = frozenset(at for at, one in enumerate(found) if id(one) in rests_on)
    return Table(caption, columns, tuple(rows), marked)


def _cell(shape: str, threads: int) -> str:
    return f"{shape} with {count(threads, 'thread')}"


def _more(one: Comparison) -> Cell:
    if one.verdict != "undecided":
        return ""
    if one.more_blocks is None:
        return Number("too close to call" if one.low is not None else "unknown", None)
    return whole(one.more_blocks)


def remarks_section(verdict: Verdict) -> Iterator[Section]:
    """What a reader has to know beside the figures."""
    if verdict.remarks:
        yield Section("remarks", "Remarks", (Sentences(tuple(dict.fromkeys(verdict.remarks))),))


def time_section(time: Sequence[TimeUse]) -> Iterator[Section]:
    """How the time of a next run would be spent best."""
    told = tuple(sentence for use in time for sentence in use.sentences)
    if told:
        yield Section("time", "How the time is best spent", (Sentences(told),))
