"""What a repeated experiment says of the original, in the terms of ACM's badging.

ACM, Artifact Review and Badging, version 1.1 (24 August 2020): a result is *repeated* where the same set-up gives it
again, *reproduced* where others get it "using the author's own artifacts", each "with stated precision". Precision here
is the margin: a cell agrees where it is equivalent, and contradicts where its whole interval lies beyond the margin;
one that is shown to be faster or slower, and perhaps by no more than the margin, decides nothing. *Replicated* asks for
artefacts that others made independently, which a bundle never is, so it is never said. Whether team and people are
others, no file tells.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.record.facts import FACTS
from orchestrator.core.verdict.between_runs.results import Change, Difference, Repetition, RunsCompared
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import capital, count, in_words, listed, so_many_of, some_of
from orchestrator.units import format_percent

_TERMS = "ACM's terms, version 1.1"


def repetition(compared: RunsCompared, base_verdict: Verdict, new_verdict: Verdict, *, same_set_up: bool) -> Repetition:
    """The statement on a repetition.

    Args:
        compared: the repetition set against the original alone.
        base_verdict: the original's.
        new_verdict: the repetition's.
        same_set_up: whether it was repeated where the original was measured; see :func:`in_same_set_up`.
    """
    agree = tuple(change.cell for change in compared.changes if change.verdict == "equivalent")
    differ = tuple(change.cell for change in compared.changes if _beyond(change, compared.margin))
    lacking = (one.cell for one in compared.unmatched if one.side == "base")
    decided = {*agree, *differ}
    undecided = (*(change.cell for change in compared.changes if change.cell not in decided), *lacking)
    answers = tuple(_loads(base_verdict, new_verdict))
    holds = _all_hold([same for same, _ in answers])
    done = "repeated" if same_set_up else "reproduced"
    sentences = [
        _figures(compared, (len(agree), len(differ), len(undecided)), done, same_set_up=same_set_up),
        _conclusion(holds, len(answers), bool(differ)),
        _explained(compared.surroundings) if differ or holds is False else "",
    ]
    return Repetition(
        term="not" if differ else "open" if undecided or not agree else "repeated" if same_set_up else "reproduced",
        agree=agree,
        differ=differ,
        undecided=undecided,
        shapes=tuple(sentence for _, sentence in answers),
        same_shapes=holds,
        sentence=" ".join(sentence for sentence in sentences if sentence),
    )


def _beyond(change: Change, margin: float) -> bool:
    """Whether a cell is shown to be further from the original than the margin."""
    if change.low is None or change.high is None:
        return False
    return change.low > 1 + margin or change.high < 1 / (1 + margin)


def in_same_set_up(surroundings: Sequence[Difference]) -> bool:
    """Whether nothing that may matter is different around two runs, apart from what changes by itself.

    What a side does not tell may be different, so it counts as such.
    """
    return not any(one.weight != "unlikely" and not _by_itself(one) for one in surroundings)


def _by_itself(one: Difference) -> bool:
    fact = FACTS[one.where].get(one.fact) if one.where != "method" else None
    return fact is not None and fact.changes != "rarely"


# ------------------------------------------------------------------------------------------------------------ figures


def _figures(compared: RunsCompared, cells: tuple[int, int, int], done: str, *, same_set_up: bool) -> str:
    """What became of the figures, cell by cell."""
    agree, differ, undecided = cells
    total, margin = sum(cells), f"the margin of {format_percent(compared.margin)}"
    if not total:
        return f"Nothing can be said in {_TERMS}: no cell of the original was measured."
    if differ:
        beyond = (change for change in compared.changes if _beyond(change, compared.margin))
        named = [f"{change.cell} ({change.verdict})" for change in beyond]
        rest = f"; {_are(agree, 'equivalent')}" if agree else ""
        rest += f"; {_open(undecided)}" if undecided else ""
        differs = "differs" if differ == 1 else "differ"
        by = f"by more than {margin}"
        told = f"{so_many_of(differ, total, 'cell')} {differs} from the original {by}: {some_of(named)}{rest}"
        return f"Not {done}, in {_TERMS}: {told}."
    if undecided:
        so_far = f"{_are(agree, 'equivalent')}, {_open(undecided)}" if agree else _none(undecided)
        return (
            f"Whether it is {done}, in {_TERMS}, is open: no cell is shown to differ by more than {margin}, {so_far}."
        )
    where = "in the same set-up" if same_set_up else "with the original's artefacts in another set-up"
    verb = "is" if total == 1 else "are"
    cells_told = so_many_of(total, total, "cell")
    return f"{capital(done)}, in {_TERMS}: {where} {cells_told} {verb} equivalent to the original's within {margin}."


def _are(number: int, what: str) -> str:
    return f"{in_words(number)} {'is' if number == 1 else 'are'} {what}"


def _open(undecided: int) -> str:
    """Not the word of a cell: one that is slower, and perhaps by no more than the margin, is open here."""
    return _are(undecided, "open")


def _none(undecided: int) -> str:
    every = "its one cell is" if undecided == 1 else "both are" if undecided == 2 else f"all {in_words(undecided)} are"
    return f"and {every} open"


# -------------------------------------------------------------------------------------------------------- conclusions


def _loads(base: Verdict, new: Verdict) -> Iterator[tuple[bool | None, str]]:
    """For each load of the original with a choice of shapes: whether the same shape still fits, and a sentence."""
    several = len({one.workload for one in base.recommendations}) > 1
    here = {(one.workload, one.threads): one for one in new.recommendations}
    for original in base.recommendations:
        if original.basis == "only shape measured":
            continue
        of = f" of {original.workload}" if several else ""
        same, told = _load(original, here.get((original.workload, original.threads)))
        yield same, capital(f"{count(original.threads, 'thread')}{of}: {told}.")


def _load(original: Recommendation, new: Recommendation | None) -> tuple[bool | None, str]:
    if new is None or new.basis == "only shape measured":
        return None, f"shape {original.shape} fits in the original; the repetition has too little for an answer"
    if original.basis == new.basis == "shown":
        if original.shape == new.shape:
            return True, f"shape {original.shape} fits in both, as the intervals show"
        return False, f"shape {new.shape} fits here and {original.shape} in the original, as the intervals show"
    both = original.basis != "single readings" and new.basis != "single readings"
    if both and not set(original.candidates) & set(new.candidates):
        here, there = (listed([*one.candidates], joint="or") for one in (new, original))
        return False, f"{here} fits here and {there} in the original; none can be the right one in both"
    doubt = [where for where, one in (("original", original), ("repetition", new)) if one.basis != "shown"]
    unshown = f"in the {' and in the '.join(doubt)} that is not shown"
    if original.shape == new.shape:
        return None, f"the figures speak for shape {original.shape} in both, but {unshown}"
    return None, f"the figures speak for {new.shape} here and for {original.shape} in the original, but {unshown}"


def _all_hold(found: Sequence[bool | None]) -> bool | None:
    """True where every load holds, False where one does not, else open; open also where there is none."""
    return False if False in found else None if None in found or not found else True


def _conclusion(holds: bool | None, loads: int, differ: bool) -> str:
    if not loads:
        return ""
    if holds is None:
        return "Whether the same shapes fit is open." if loads > 1 else "Whether the same shape fits is open."
    if not holds:
        return (
            "Its conclusion does not hold here: another shape fits."
            if loads == 1
            else ("Its conclusions do not all hold here: for some loads another shape fits.")
        )
    each = "the same shape fits" if loads == 1 else "the same shape fits for every load"
    return f"Its conclusion holds all the same: {each}." if differ else f"{capital(each)}."


def _explained(surroundings: Sequence[Difference]) -> str:
    """Which differences could be the reason, the likeliest only."""
    could = [one for weight in ("likely", "possible") for one in surroundings if one.weight == weight]
    if not could:
        return "Nothing that is known of the surroundings explains it."
    likeliest = [one for one in could if one.weight == could[0].weight]
    return f"It may come of what is not the same: {some_of([*dict.fromkeys(_called(one) for one in likeliest)])}."


def _called(one: Difference) -> str:
    fact = FACTS[one.where].get(one.fact) if one.where != "method" else None
    return f"{fact.name} ({one.where})" if fact is not None else one.meaning
