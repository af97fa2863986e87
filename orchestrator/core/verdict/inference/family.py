"""How sure each single interval has to be, so that a whole family of them holds together, at every look at the run."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import stdtrit

from orchestrator.core.verdict.inference.sequential import repeated_confidence
from orchestrator.core.verdict.inference.simultaneous import (
    Sizes,
    beyond_control,
    confidence_all_pairs,
    confidence_with_control,
)
from orchestrator.core.verdict.inference.uncertainty import LogEstimate


@dataclass(frozen=True)
class Look:
    """One of several looks at a run that ends as soon as it decides.

    Attributes:
        blocks: measured so far.
        planned: after how many blocks one looks, the last at the latest.
    """

    blocks: int
    planned: tuple[int, ...]


@dataclass(frozen=True)
class Family:
    """All intervals that answer one question about one workload.

    Attributes:
        confidence: with which all of them hold, over all looks.
        sizes: shapes compared in each load.
        look: ``None`` where the number of blocks was fixed beforehand.
    """

    confidence: float
    sizes: Sizes
    look: Look | None = None

    @property
    def pairs(self) -> int:
        """Comparisons of two shapes under one load."""
        return sum(size * (size - 1) // 2 for size in self.sizes)

    def of_pair(self, estimate: LogEstimate, sizes: Sizes | None = None) -> float:
        """Confidence of the interval of one of all pairs.

        Args:
            estimate: of the pair.
            sizes: of the groups that are still to be told apart; all shapes of each load when not given.
        """
        if estimate.error is None:
            return self.confidence
        each = confidence_all_pairs(self.confidence, self.sizes if sizes is None else sizes, estimate.df)
        return self.at_look(estimate, each)

    def of_bound(self, estimate: LogEstimate) -> float:
        """Confidence of the interval one end of which bounds a comparison with one shape of each load.

        Half of the error is for bounds from above, half for those from below.
        """
        if estimate.error is None:
            return self.confidence
        each = confidence_with_control(1 - (1 - self.confidence) / 2, self.sizes, estimate.df)
        return self.at_look(estimate, each)

    def error_of_bound(self, alone: float, df: float) -> float:
        """Chance that some comparison with one shape of each load errs, to one side, by what one alone does this often.

        That of a single look; where there are several it says too little.
        """
        return beyond_control(-float(stdtrit(df, alone)), self.sizes, df) if 0 < alone < 1 else alone

    def of_one_in(self, estimate: LogEstimate, comparisons: int) -> float:
        """Confidence of one of several intervals, by Bonferroni's inequality (as in Dunn 1961)."""
        each = 1 - (1 - self.confidence) / max(1, comparisons)
        return each if estimate.error is None else self.at_look(estimate, each)

    def at_look(self, estimate: LogEstimate, confidence: float) -> float:
        """The confidence of an interval at this look, so that with the one given it holds over all looks."""
        if self.look is None:
            return confidence
        return repeated_confidence(estimate, self.look.blocks, self.look.planned, confidence)
