"""How a verdict was reached: the steps in their order, with the figures that entered and the source of each method.

Nothing here decides. Each step repeats what was computed, from the same observations, and says which of several ways
was taken.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby

from orchestrator.core.measure.method import Step
from orchestrator.core.verdict.cells import CellReadings, cells_of
from orchestrator.core.verdict.comparison import Comparison, Correction, equal_confidence, margin_log
from orchestrator.core.verdict.drift import drift_steps
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.components import components, homogeneity
from orchestrator.core.verdict.method_causes import growth, operations
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.templates import template_steps
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import count, degrees_of_freedom, in_words, listed, span
from orchestrator.units import format_percent

_TRIALS = "Law & Kelton, ch. 9 (independent replications); Kalibera & Jones 2013"
_BLOCKS = "Fisher 1935 (randomised blocks); Student 1908"
_WELCH = "Welch 1947; Satterthwaite 1946"
_SCATTER = "Fisher 1935; Henderson 1953 (blocks); Brown & Forsythe 1974 (scatter alike)"
_CORRECTIONS: dict[Correction, tuple[str, str]] = {
    "none": ("not corrected, there is only one", "Student 1908"),
    "all pairs": ("all pairs jointly over all loads, by the studentised range", "Tukey 1953; Kramer 1956"),
    "all pairs, stepwise": (
        "all pairs jointly, and the rest step by step over the groups that may still be equal",
        "Tukey 1953; Peritz 1970; Shaffer 1986",
    ),
    "Bonferroni": ("each at its share of the error", "Dunn 1961"),
}
_WORDS = "Schuirmann 1987 (equivalence by two one-sided tests); Tukey 1953 (differences)"
_CHOICE = "Efron & Morris 1973 (luck of the best); Hsu 1981 (comparisons with the best); Dunnett 1955"
_LOOKS = "Lan & DeMets 1983; Jennison & Turnbull 1989 (repeated confidence intervals)"
#: Below this chance blocks, or the scatter of cells, count as different in the words here; nothing is decided by it.
_UNLIKELY = 0.05
_QUESTIONS = {"size": "shapes", "threads": "thread counts", "growth": "vCPUs with a thread each"}


def explain_verdict(evidence: Evidence, rule: Rule, reached: Verdict) -> tuple[Step, ...]:
    """How a verdict was reached.

    Args:
        evidence: what it was given.
        rule: by which it was reached.
        reached: the verdict itself.
    """
    cells = cells_of(evidence.observations)
    if not cells:
        return (Step(step="trials", what="none counts, so nothing follows", source=_TRIALS),)
    steps = [_trials(cells)]
    several = len({cell.first.workload for cell in cells}) > 1
    for workload, group in groupby(cells, key=lambda cell: cell.first.workload):
        steps.append(_scatter(list(group), f" of {workload}" if several else ""))
    steps += [
        *drift_steps(reached.drifts, rule.confidence),
        *_looks(rule, cells),
        *_corrections(reached),
        *_words(reached, rule),
        *_choices(reached),
        *template_steps(reached.templates, rule.confidence),
    ]
    return (*steps, *operations(reached, rule), *growth(reached))


def _trials(cells: Sequence[CellReadings]) -> Step:
    trials = sum(len(cell.observations) for cell in cells)
    blocks = {o.block for cell in cells for o in cell.observations if o.block is not None}
    where = f"{count(len(cells), 'cell')} and {count(len(blocks), 'block')}" if blocks else count(len(cells), "cell")
    return Step(
        step="trials",
        what=(
            f"{count(trials, 'trial')} in {where}; each counts as one observation, the logarithm of its mean, however "
            "long it was"
        ),
        source=_TRIALS,
    )


def _scatter(cells: Sequence[CellReadings], which: str) -> Step:
    """What trials scatter by, and whose scatter it is."""
    blocked = [by_block for cell in cells if (by_block := cell.by_block) is not None]
    if len(blocked) < len(cells):
        lengths = sorted({len(cell.observations) for cell in cells})
        what = (
            f"no blocks, so each cell{which} has its own scatter, from {listed([in_words(n) for n in lengths])} "
            f"reading{'' if lengths == [1] else 's'}{' each' if len(lengths) == 1 else ''}"
        )
        return Step(step="scatter", what=f"{what}; two cells are compared as independent ones", source=_WELCH)
    parts = components(blocked)
    if parts is None:
        what = f"trials{which} are too few to tell what they scatter by"
        return Step(step="scatter", what=f"{what}; no interval can be given", source=_SCATTER)
    what = (
        f"what cell and block do not explain{which} is {format_percent(parts.trial.sd, 2)} of a trial "
        f"({degrees_of_freedom(parts.df)}, all cells together); blocks differ by {format_percent(parts.block.sd, 2)}"
        f"{', no more than chance' if parts.p >= _UNLIKELY else ''}, which cancels in each comparison"
    )
    alike = homogeneity(blocked)
    if alike is not None:
        what += f"; cells scatter {'alike' if alike.p >= _UNLIKELY else 'unequally'} (p = {alike.p:.2g})"
    own = [cell.id for cell in cells if cell.scatter is not None and cell.scatter.own]
    if not own:
        return Step(step="scatter", what=what, source=_SCATTER)
    stands = "stands by its own readings" if len(own) == 1 else "stand by their own readings"
    what += f"; {listed(own)}, beyond twice the variance of the rest, {stands}"
    return Step(step="scatter", what=what, source=f"{_SCATTER}; Grubbs 1948, Shukla 1972 (variance of one cell)")


def _looks(rule: Rule, cells: Sequence[CellReadings]) -> Iterator[Step]:
    if rule.looks is None:
        return
    after = listed([str(blocks) for blocks in rule.looks])
    now = max((o.block or 0 for cell in cells for o in cell.observations), default=0)
    what = (
        f"a run that ends once it is decided, looked at after {after} blocks; after {now} every interval is widened, "
        f"so that those of all looks together hold at {format_percent(rule.confidence)}"
    )
    yield Step(step="several looks", what=what, source=_LOOKS)


def _corrections(reached: Verdict) -> Iterator[Step]:
    """How intervals were computed and corrected, one step for each question."""
    known = [found for found in reached.comparisons if found.low is not None]
    order = list(_QUESTIONS)
    for question, group in groupby(sorted(known, key=lambda c: order.index(c.question)), key=lambda c: c.question):
        found = list(group)
        paired = {comparison.paired for comparison in found}
        how = (
            "block by block"
            if paired == {True}
            else "by Welch's t"
            if paired == {False}
            else "by block where both have"
        )
        correction = _strongest(found)
        levels = sorted({c.confidence_alone for c in found if c.confidence_alone is not None})
        told, source = _CORRECTIONS[correction]
        what = f"{count(len(found), 'comparison')}, {how}; {told}"
        if levels and levels[-1] > reached.confidence:
            low, high = format_percent(levels[0], 2), format_percent(levels[-1], 2)
            each = low if low == high else f"{low} to {high}"
            what += f"; {'each interval' if len(found) > 1 else 'its interval'} at {each}"
        stepwise = sum(c.correction == "all pairs, stepwise" for c in found)
        if stepwise:
            what += f"; {count(stepwise, 'difference')} shown only stepwise"
        design = _BLOCKS if paired == {True} else _WELCH if paired == {False} else f"{_BLOCKS}; {_WELCH}"
        sources = dict.fromkeys(f"{design}; {source}".split("; "))  # a method that serves twice is named once
        yield Step(step=f"comparing {_QUESTIONS[question]}", what=what, source="; ".join(sources))


def _strongest(found: Sequence[Comparison]) -> Correction:
    seen = Counter(comparison.correction for comparison in found)
    order: tuple[Correction, ...] = ("all pairs, stepwise", "all pairs", "Bonferroni", "none")
    return next(correction for correction in order if seen[correction])


def _words(reached: Verdict, rule: Rule) -> Iterator[Step]:
    words = Counter(comparison.verdict for comparison in reached.comparisons)
    if not words:
        return
    bound = margin_log(rule.margin)
    told = ", ".join(f"{words[word]} {word}" for word in ("faster", "slower", "equivalent", "undecided") if words[word])
    what = (
        f"equivalent where an interval at {format_percent(equal_confidence(rule.confidence))} or more lies within "
        f"{span(math.exp(-bound), math.exp(bound))}, stricter than the usual one at 90 %; faster or slower where the "
        f"interval leaves 0 out; else undecided: {told}"
    )
    yield Step(step="words", what=what, source=_WORDS)


def _choices(reached: Verdict) -> Iterator[Step]:
    """By which rule the shapes were chosen, and how far each choice is shown."""
    found = [r for r in reached.recommendations if r.basis != "only shape measured"]
    if not found:
        return
    bases = Counter(r.basis for r in found)
    parts = {
        "shown": "shown by the intervals",
        "figures": "on the figures so far, since intervals leave other shapes open",
        "single readings": "on figures without an interval",
    }
    told = ", ".join(f"{in_words(bases[basis])} {text}" for basis, text in parts.items() if bases[basis])  # type: ignore[index]
    what = (
        f"the smallest shape whose figure is not more than {format_percent(reached.margin)} behind any other, once the "
        "best of several is allowed its share of luck; "
        f"{count(len(found), 'choice')}: {told}"
    )
    yield Step(step="choosing", what=what, source=_CHOICE)
