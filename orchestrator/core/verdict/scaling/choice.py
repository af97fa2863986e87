"""Which law: the one with the fewest parameters that the points do not contradict; none where they contradict all.

A law with one more parameter is taken when it lowers the sum of squares by more than ``s^2 F``, the F test between
nested laws (Seber & Wild 2003, ch. 5), which is the same as that the interval of the parameter excludes 0. Amdahl's and
Gustafson's law have as many parameters; the nearer one stands for both.

How large chance is comes from repeated trials, where there are any; a law that is further from the points than that, by
the lack-of-fit test (Draper & Smith 1998, ch. 2), and further than the margin, is no law for them. Where a law misses
by more than chance and less than the margin, it is kept, and its misfit takes the place of chance (the ratio of Birge
1932): the intervals widen.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import fdtri

from orchestrator.core.verdict.scaling.fitting import Fit, Points, Scale, fit, without_limits
from orchestrator.core.verdict.scaling.results import LawName

#: A law of three parameters needs a point more to be contradicted at all.
FEWEST_SIZES = 4
#: Without repeated trials only the misfit tells what chance does; with fewer than three points to spare, F exceeds 10.
FEWEST_SIZES_UNREPEATED = 6
#: A gain in the sum of squares below this share of chance is rounding.
_ROUNDING = 1e-3


@dataclass(frozen=True)
class Choice:
    """What was fitted and chosen.

    Attributes:
        law: the law chosen; ``None`` where the points contradict all.
        nearest: the fit of the chosen law; where there is none, of the law with the smallest misfit.
        fits: of every law.
        scale: how large chance is.
        allowed: by so much the sum of squares of a fit may exceed its best within the interval of one parameter.
        off: whether the nearest law misses by more than chance; ``None`` where trials were not repeated.
        tied: whether Amdahl's and Gustafson's law describe the points alike, where one of them is chosen.
        unlimited: the fit without limits, where it lies outside of them (but not where Gustafson's law was chosen: a
            straight line looks to the universal law like an exchange that pays).
        insists: whether the points hold that against the limits by more than chance.
    """

    law: LawName | None
    nearest: Fit
    fits: dict[LawName, Fit]
    scale: Scale
    allowed: float
    off: bool | None
    tied: bool
    unlimited: Fit | None
    insists: bool

    @property
    def universal(self) -> Fit:
        """The largest law's fit, which tells of a peak."""
        return self.fits["universal"]


def fewest_sizes(points: Points) -> int:
    """How many different sizes it takes."""
    return FEWEST_SIZES if points.df is not None else FEWEST_SIZES_UNREPEATED


def choose_law(points: Points, confidence: float, margin: float) -> Choice:
    """Fit every law and choose.

    Args:
        points: at least :func:`fewest_sizes` of them, at different sizes.
        confidence: of intervals and tests.
        margin: the smallest relative difference in throughput that matters.
    """
    laws: tuple[LawName, ...] = ("proportional", "amdahl", "gustafson", "universal")
    fits = {law: fit(law, points) for law in laws}
    universal = fits["universal"]
    scale = _scale(points, min((universal, fits["gustafson"]), key=lambda f: f.squares / f.freedom))

    def gains(small: Fit, large: Fit) -> bool:
        more = small.freedom - large.freedom
        return small.squares - large.squares > more * scale.variance * float(fdtri(more, scale.df, confidence))

    two = min(fits["amdahl"], fits["gustafson"], key=lambda f: f.squares)
    found = two if gains(fits["proportional"], two) else fits["proportional"]
    if gains(found, universal):
        found = universal
    if _is_off(found, confidence) and found.misfit > margin:
        found = min(fits.values(), key=lambda f: f.misfit)
    off = _is_off(found, confidence)
    allowed = scale.variance * float(fdtri(1, scale.df, confidence))
    unlimited = _unlimited(universal, scale) if found.law != "gustafson" else None
    between = abs(fits["amdahl"].squares - fits["gustafson"].squares)
    return Choice(
        law=None if off and found.misfit > margin else found.law,
        nearest=found,
        fits=fits,
        scale=scale,
        allowed=allowed,
        off=off,
        tied=found is two and between <= allowed,
        unlimited=unlimited,
        insists=unlimited is not None and _insists(universal, unlimited, confidence),
    )


def _scale(points: Points, best: Fit) -> Scale:
    """Chance: the errors' own variance, or the misfit where that is larger or all there is.

    Where the misfit is larger by a ratio its variance is used, and the degrees of freedom fall with the ratio's square
    down to the misfit's own. That fall is ours; tests/core/verdict/scaling/test_scaling_laws.py has the coverage.
    """
    own = best.squares / best.freedom
    if points.df is None:
        return Scale(own, best.freedom)
    if own <= 1:
        return Scale(1.0, points.df)
    return Scale(own, max(points.df / own**2, min(float(best.freedom), points.df)))


def _is_off(found: Fit, confidence: float) -> bool | None:
    df = found.points.df
    if df is None:
        return None
    return found.squares / found.freedom > float(fdtri(found.freedom, df, confidence))


def _unlimited(universal: Fit, scale: Scale) -> Fit | None:
    if not universal.is_at_limit:
        return None
    found = without_limits(universal.points)
    if found is None or found.line.min() >= 0:
        return None
    return found if universal.squares - found.squares > _ROUNDING * scale.variance else None


def _insists(universal: Fit, unlimited: Fit, confidence: float) -> bool:
    """Whether the limits cost more than chance, judged by what is left without them."""
    scale = _scale(universal.points, unlimited)
    return universal.squares - unlimited.squares > scale.variance * float(fdtri(1, scale.df, confidence))
