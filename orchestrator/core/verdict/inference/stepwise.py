"""More words at the same family-wise error: step-down tests of all pairs, after the simultaneous intervals.

A pair is called different when every way in which its two shapes could be equal is refused (closed testing: Marcus,
Peritz & Gabriel 1976, Biometrika 63, 655). The ways are partitions of a load's shapes into groups of equals; a group
that holds a pair already called different is none (Shaffer 1986, JASA 81, 826), so the fewer shapes may still be equal,
the less the rest has to be corrected for. Each partition is tested by the largest of its pairs' t against the joint
studentised range of its groups, at the whole level (as in Peritz 1970, Begun & Gabriel 1981, JASA 76, 241). Groups are
taken to be neighbours in the order of the means.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from scipy.special import stdtr

from orchestrator.core.verdict.inference.simultaneous import Sizes, beyond_all_pairs, critical_all_pairs, range_below
from orchestrator.core.verdict.inference.uncertainty import LogEstimate

#: Two of a load's shapes by their places in the order of the means, the smaller first.
Places = tuple[int, int]


@dataclass(frozen=True)
class Load:
    """The shapes of one load, in the order of their means.

    Attributes:
        shapes: how many.
        pairs: estimates of the pairs whose error is known.
    """

    shapes: int
    pairs: Mapping[Places, LogEstimate]


def steps(
    loads: Sequence[Load], confidence: float, shown: Callable[[LogEstimate, Sizes], bool]
) -> dict[tuple[int, Places], Sizes]:
    """Pairs that are different at the family's level, each with the sizes of the groups that decided it.

    Args:
        loads: all that share one estimate of the scatter.
        confidence: of the whole family.
        shown: whether a pair's interval at such sizes leaves 0 out; may ask for more than the confidence does, as a
            look at a run that goes on must.

    Returns:
        Load and pair to the sizes of the largest groups that were still possible with the pair in one of them; its
        interval at those sizes leaves 0 out.
    """
    error, whole = 1 - confidence, tuple(load.shapes for load in loads)
    estimates = {(n, places): estimate for n, load in enumerate(loads) for places, estimate in load.pairs.items()}
    t, df = {k: _t(e) for k, e in estimates.items()}, {k: e.df for k, e in estimates.items()}
    # What does not pass alone passes in no company.
    hopeful = {key for key in t if t[key] > 0 and 2 * stdtr(df[key], -t[key]) < error}
    found = {
        key: whole
        for key in hopeful
        if t[key] > critical_all_pairs(confidence, whole, df[key]) and shown(estimates[key], whole)
    }
    hopeful -= found.keys()
    while hopeful:
        ends = [_ends(load.shapes, {p for m, p in found if m == n}) for n, load in enumerate(loads)]
        new: dict[tuple[int, Places], Sizes] = {}
        for key in hopeful:
            sizes = _worst(ends, key, t[key])
            if beyond_all_pairs(t[key], sizes, df[key]) < error and shown(estimates[key], sizes):
                new[key] = sizes
        if not new:
            break
        found |= new
        hopeful -= new.keys()
    return found


def _t(estimate: LogEstimate) -> float:
    if not estimate.error:
        return 0.0 if estimate.error is None or estimate.value == 0 else math.inf
    return abs(estimate.value) / estimate.error


def _ends(shapes: int, different: set[Places]) -> list[int]:
    """For each place the last one up to which all may be equal."""
    ends, end = [shapes - 1] * shapes, shapes - 1
    nearest = {low: min(high for one, high in different if one == low) for low, _ in different}
    for low in range(shapes - 1, -1, -1):
        end = min(end, nearest.get(low, shapes) - 1)
        ends[low] = end
    return ends


def _worst(ends: Sequence[Sequence[int]], key: tuple[int, Places], t: float) -> Sizes:
    """The partition that most easily holds a pair as far apart as this one, the pair in one of its groups."""
    load, (low, high) = key
    costs = _costs(max(len(of_load) for of_load in ends), t)
    sizes: list[int] = []
    for number, of_load in enumerate(ends):
        before = _before(of_load, costs)
        if number != load:
            sizes += before[-1].groups
            continue
        after = _after(of_load, costs)
        # The pair's group reaches from any place at or below it to any at or above, as far as all may be equal. Where
        # unequal errors let a shape between the two differ from one of them, all from the one to the other count.
        reaches = {(low, high)} | {(s, e) for s in range(low + 1) for e in range(high, of_load[s] + 1)}
        _, *group = max(
            (costs[end - start + 1] + before[start].cost + after[end + 1].cost, start, end) for start, end in reaches
        )
        start, end = (int(place) for place in group)
        sizes += [*before[start].groups, end - start + 1, *after[end + 1].groups]
    return tuple(sorted(size for size in sizes if size > 1))


def _costs(most: int, t: float) -> list[float]:
    """For groups of each size: -log of the chance that none of its pairs is beyond t, were the scatter known."""
    return [0.0, 0.0, *(-math.log(max(range_below(t, size), 1e-300)) for size in range(2, most + 1))]


@dataclass(frozen=True, order=True)
class _Partition:
    """Groups of neighbouring places, and what they cost together."""

    cost: float = 0.0
    groups: tuple[int, ...] = ()


def _before(ends: Sequence[int], costs: Sequence[float]) -> list[_Partition]:
    """For each place the dearest partition of all places before it; at the end that of all."""
    best = [_Partition()]
    for stop in range(1, len(ends) + 1):
        best.append(
            max(
                _Partition(costs[stop - start] + best[start].cost, (*best[start].groups, stop - start))
                for start in range(stop)
                if ends[start] >= stop - 1
            )
        )
    return best


def _after(ends: Sequence[int], costs: Sequence[float]) -> list[_Partition]:
    """For each place the dearest partition of it and all that follow; at the end the empty one."""
    best = [_Partition()] * (len(ends) + 1)
    for start in range(len(ends) - 1, -1, -1):
        best[start] = max(
            _Partition(costs[end - start + 1] + best[end + 1].cost, (end - start + 1, *best[end + 1].groups))
            for end in range(start, ends[start] + 1)
        )
    return best
