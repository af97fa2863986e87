"""Which details of a verdict a first reader is shown, and which come with its explanation."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.scaling import Scaling
from orchestrator.core.verdict.scaling.words import told as growth_told
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import count

#: Curves that a first reader is told of; a scan of shapes and threads has one for each.
_CURVES = 3
_OVER = ("both", "vcpus", "threads")


def spoken(verdict: Verdict) -> tuple[Recommendation, ...]:
    """The recommendations that say something.

    A catalogue of templates measures one shape for each load: there, one that stands for want of another says nothing.
    """
    alone = "only shape measured" if verdict.templates else None
    return tuple(found for found in verdict.recommendations if found.basis != alone)


def decisive(verdict: Verdict) -> tuple[Comparison, ...]:
    """The comparisons that the recommendations rest on.

    Of shapes under one load: those with the recommended shape or the best. Of thread counts on one shape: those where
    that shape is recommended for either. And all that compare vCPUs with a thread each.
    """
    loads = {(r.workload, r.threads): {r.shape, r.best} for r in verdict.recommendations}
    chosen = {(r.workload, r.threads, r.shape) for r in verdict.recommendations}
    return tuple(
        c
        for c in verdict.comparisons
        if c.question == "growth"
        or (c.question == "size" and {c.base_shape, c.new_shape} & loads.get((c.workload, c.base_threads), set()))
        or (
            c.question == "threads"
            and {(c.workload, c.base_threads, c.base_shape), (c.workload, c.new_threads, c.new_shape)} & chosen
        )
    )


def growth(verdict: Verdict, *, whole: bool) -> Sequence[str]:
    """How throughput grows: all curves, or a few that follow a law, those of vCPUs and threads together first."""
    if whole:
        return list(growth_told(verdict.scaling))
    return [found.sentence for found in lawful(verdict)]


def left_out(verdict: Verdict) -> list[str]:
    """What a first reader is not shown, in words."""
    further = len(verdict.comparisons) - len(decisive(verdict))
    curves = len(verdict.scaling) - len(lawful(verdict))
    return [
        *([count(further, "further comparison")] if further else []),
        *([f"{count(curves, 'further curve')} of throughput"] if curves else []),
        *(["what an operation takes in each cell"] if verdict.demands else []),
    ]


def lawful(verdict: Verdict) -> list[Scaling]:
    """A few curves that follow a law, those of vCPUs and threads together first."""
    largest_first = sorted(verdict.scaling, key=lambda s: (_OVER.index(s.over), -(s.threads or 0), -s.points[-1].size))
    return [found for found in largest_first if found.law is not None][:_CURVES]
