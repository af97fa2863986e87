"""The comparison in a sentence or two."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.core.verdict.between_runs.results import Change, Overall, Unmatched
from orchestrator.core.verdict.comparison import Word
from orchestrator.core.verdict.words import capital, change, count, in_words, listed, so_many_of, span
from orchestrator.units import format_percent

#: Cells named in a sentence; the table has the rest.
_FEW = 3


def answer(changes: Sequence[Change], unmatched: Sequence[Unmatched], overall: Overall | None, margin: float) -> str:
    """What came of it: how many cells changed, which, and by how much; then all of them together."""
    if not changes:
        return "No cell is the same in both runs, so nothing is compared; each is listed with what keeps it apart."
    sentences = [_words(changes, margin)]
    if overall is not None and len(changes) > 1:
        sentences.append(_overall(overall))
    if unmatched:
        verb = "is" if len(unmatched) == 1 else "are"
        sentences.append(f"{capital(count(len(unmatched), 'cell'))} {verb} not compared.")
    return " ".join(sentences)


def _words(changes: Sequence[Change], margin: float) -> str:
    groups: dict[Word, list[Change]] = {"slower": [], "faster": [], "equivalent": [], "undecided": []}
    for each in changes:
        groups[each.verdict].append(each)
    if len(changes) == 1:
        return f"Cell {changes[0].cell} is {_one(changes[0], margin)}."
    told = [(found, _of_word(word, found, margin)) for word, found in groups.items() if found]
    if len(told) == 1:
        return f"{capital(so_many_of(len(changes), len(changes), 'cell'))} are {told[0][1]}."
    parts = [f"{in_words(len(found))} {'is' if len(found) == 1 else 'are'} {words}" for found, words in told]
    return f"Of {count(len(changes), 'cell')} {'; '.join(parts)}."


def _one(only: Change, margin: float) -> str:
    match only.verdict:
        case "slower" | "faster":
            return f"{only.verdict}: {_by(only)}"
        case "equivalent":
            return f"equivalent within {format_percent(margin)}: {_by(only)}"
        case _:
            return f"undecided: {_by(only)}{_more([only])}"


def _of_word(word: Word, found: Sequence[Change], margin: float) -> str:
    match word:
        case "slower" | "faster":
            return f"{word} ({_sizes(found, largest_first=word == 'faster')})"
        case "equivalent":
            return f"{word} within {format_percent(margin)}"
        case _:
            return f"{word}{_more(found)}"


def _sizes(found: Sequence[Change], *, largest_first: bool) -> str:
    """The cells with their changes where they are few, else from which change to which."""
    ordered = sorted(found, key=lambda each: each.ratio, reverse=largest_first)
    if len(ordered) <= _FEW:
        return listed([f"{each.cell} {change(each.ratio, whole=False)}" for each in ordered])
    least, most = (change(each.ratio, whole=False) for each in (ordered[-1], ordered[0]))
    way = " more" if most.endswith(" more") else " less"
    return f"{least.removesuffix(way)} to {most}, most in {ordered[0].cell}"


def _by(each: Change) -> str:
    """``6.2 % less, -8.1 % to -4.2 %``."""
    if each.low is None or each.high is None:
        return change(each.ratio, whole=True)
    return f"{change(each.ratio, whole=False)}, {span(each.low, each.high)}"


def _more(found: Sequence[Change]) -> str:
    """What would decide all of them, where that is known."""
    in_both = [each.more_blocks for each in found]
    runs = [each.more_base_runs for each in found]
    them = "it" if len(found) == 1 else "them"
    if all(more is not None for more in in_both):
        most = max(more for more in in_both if more is not None)
        return f" (about {count(most, 'more block')} of each run would decide {them})"
    if all(more is not None for more in runs):
        most = max(more for more in runs if more is not None)
        return f" (about {count(most, 'more base run')} would decide {them})"
    return ""


def _overall(overall: Overall) -> str:
    if overall.low is None or overall.high is None:
        return f"Over all of them throughput is {change(overall.ratio, whole=True)}."
    return f"Over all of them throughput is {change(overall.ratio, whole=False)}, {span(overall.low, overall.high)}."
