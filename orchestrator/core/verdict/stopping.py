"""Whether enough blocks have been measured, of a run that ends as soon as it decides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from orchestrator.core.verdict.cells import CellReadings, cells_of
from orchestrator.core.verdict.choice import Choice, choose
from orchestrator.core.verdict.comparison import Comparison, compare_all, family_of, log_ratio, margin_log
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.inference.family import Family, Look
from orchestrator.core.verdict.inference.power import HOPELESS, chance_to_decide
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.words import capital, count, listed
from orchestrator.units import format_percent

#: More loads than these few in one sentence would hide the ones that matter.
_FEW = 3


@dataclass(frozen=True)
class Stop:
    """What a look at the evidence found.

    Attributes:
        enough: whether the run may end: everything is decided, what is not hardly would be, or no block is left.
        decided: whether every load has its shape: it is shown, or each shape has its word against the best.
        why: in a sentence.
    """

    enough: bool
    decided: bool
    why: str


def enough_blocks(evidence: Evidence, rule: Rule, planned: Sequence[int]) -> Stop:
    """Whether a run may end after the blocks that it has.

    A load is decided when the intervals leave one shape only that can be the right one, or when each shape has its word
    against the best; with one shape, when its comparisons over threads have theirs. All intervals are this look's
    (:mod:`~orchestrator.core.verdict.inference.sequential`), so a verdict on the run has to be reached with the same
    looks: ``verdict(evidence, replace(rule, looks=planned))``, which :func:`~orchestrator.core.verdict.rule.rule_of`
    does for a plan that says so. Loads that the last look would decide with a chance below 10 % are given up, which
    never adds an error: nothing is said of them.

    Args:
        evidence: of whole blocks.
        rule: margin and confidence; its own looks do not count.
        planned: after how many blocks one looks (:func:`~orchestrator.core.verdict.inference.sequential.looks`).
    """
    blocks = len({o.block for o in evidence.observations if o.block is not None})
    if blocks < planned[0]:
        return Stop(False, False, f"{capital(count(blocks, 'block'))} of at least {planned[0]}: too few to look at.")
    now, last = Look(blocks, tuple(planned)), Look(planned[-1], tuple(planned))
    states = list(_loads(cells_of(evidence.observations), replace(rule, looks=None), now, last))
    decided = bool(states) and all(s.has_its_shape for s in states)
    open_loads = [s for s in states if not s.ends_the_run]
    if states and not open_loads:
        why = f"Every load is decided at {format_percent(rule.confidence)} confidence over all looks."
        return Stop(True, decided, why)
    if blocks >= planned[-1]:
        return Stop(True, decided, f"{capital(count(blocks, 'block'))}: no more are planned.")
    if not states:
        return Stop(False, False, "No trial counts so far.")
    several = len({s.workload for s in states}) > 1
    named = [f"{count(s.threads, 'thread')}{f' of {s.workload}' if several else ''}" for s in open_loads]
    where = listed(named) if len(named) <= _FEW else f"{', '.join(named[:_FEW])} and others"
    if all(s.is_hopeless for s in open_loads):
        limit = f"would be decided by block {planned[-1]} with a chance below {format_percent(HOPELESS)}"
        rest = "; all else is decided" if len(open_loads) < len(states) else ""
        return Stop(True, decided, f"{capital(where)}: {limit}{rest}.")
    return Stop(False, decided, f"{capital(where)}: not decided yet.")


@dataclass(frozen=True)
class _State:
    """How far one load is decided.

    Two shapes are to have their word, although the shape may be shown before; of more, the shape that is shown is
    enough to end a run.
    """

    workload: str
    threads: int
    has_its_shape: bool
    ends_the_run: bool
    is_hopeless: bool


def _loads(cells: Sequence[CellReadings], rule: Rule, now: Look, last: Look) -> Iterator[_State]:
    found = compare_all(cells, margin=rule.margin, confidence=rule.confidence, look=now)
    for workload, load in groupby(cells, key=lambda c: c.first.workload):
        of_workload = list(load)
        family = family_of(of_workload, rule.confidence, now)
        compared = [c for c in found if c.workload == workload]
        for threads, alike in groupby(of_workload, key=lambda c: c.first.threads):
            shapes = list(alike)
            if len(shapes) == 1:
                others = [c for c in compared if c.question != "size" and threads in {c.base_threads, c.new_threads}]
                settled = all(c.verdict != "undecided" for c in others)
                yield _State(workload, threads, settled, settled, False)
                continue
            choice = choose(shapes, margin=rule.margin, family=family)
            shown, words = choice.basis == "shown", _have_words(choice, compared, threads)
            ends = words or (shown and len(shapes) > 2)
            hopeless = not ends and _is_hopeless(choice, rule, replace(family, look=last), last.blocks)
            yield _State(workload, threads, words or shown, ends, hopeless)


def _have_words(choice: Choice, compared: Sequence[Comparison], threads: int) -> bool:
    """Whether every shape has its word against the best."""
    best = choice.best.id
    of_best = [c for c in compared if c.question == "size" and c.base_threads == threads and best in {c.base, c.new}]
    return all(c.verdict != "undecided" for c in of_best)


def _is_hopeless(choice: Choice, rule: Rule, family: Family, last: int) -> bool:
    """Whether some shape would hardly get its word against the best by the last look."""
    bound = margin_log(rule.margin)
    for other in (c for c in choice.group if c.key != choice.best.key):
        estimate = log_ratio(choice.best, other)
        chance = chance_to_decide(estimate, bound, family.of_pair(estimate), last)
        if chance is not None and chance < HOPELESS:
            return True
    return False
