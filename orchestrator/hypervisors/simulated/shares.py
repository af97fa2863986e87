"""Who gets how much of the physical CPUs: proportional share with caps, and gangs.

Both are fluid models: shares are long-run fractions of one CPU, with no quantum and no cost of switching.
"""

from __future__ import annotations

from collections.abc import Sequence


def water_fill(capacity: float, weights: Sequence[float], caps: Sequence[float]) -> list[float]:
    """Proportional shares of ``capacity``, none above its cap; what a capped one leaves goes to the others by weight.

    The weighted max-min fair allocation: all uncapped entities have the same share per weight, which is what
    proportional-share schedulers converge to (Waldspurger & Weihl 1995, stride scheduling; with caps: "water-filling").

    Args:
        capacity: what there is, in CPUs; at least 0.
        weights: of each entity, positive.
        caps: the most that each can use, in CPUs; at least 0.

    Returns:
        The share of each entity, in the order given; their sum is the smaller of ``capacity`` and the sum of ``caps``.

    Raises:
        ValueError: a weight that is not positive, a negative capacity or cap, or lists of different lengths.
    """
    if capacity < 0 or any(w <= 0 for w in weights) or any(c < 0 for c in caps):
        raise ValueError("weights must be positive, capacity and caps not negative")
    shares = [0.0] * len(weights)
    left, weight_left = capacity, float(sum(weights))
    # Whoever reaches the cap at the lowest level of the water does so first.
    by_level = sorted(zip(range(len(weights)), weights, caps, strict=True), key=lambda entity: entity[2] / entity[1])
    for index, weight, cap in by_level:
        shares[index] = min(cap, left * weight / weight_left)
        left -= shares[index]
        weight_left -= weight
    return shares


def gang_share(cpus: int, vcpus: int, neighbours: int) -> float:
    r"""Fraction of time that a gang runs, where each neighbour runs as much as each of its vCPUs.

    A gang (Ousterhout 1982) runs with all its vCPUs at once or not at all. While it does, ``cpus - vcpus`` CPUs are
    left for the neighbours; while it does not, all of them. With g the gang's share and each neighbour's::

        N g = g min(N, P - V) + (1 - g) min(N, P)
        g = min(N, P) / (N + min(N, P) - min(N, P - V))

    For N >= P this is the proportional share P / (N + V), for N <= P - V it is 1. Between the two it is smaller than
    the proportional share: CPUs that are too few for the gang stand idle (Feitelson & Rudolph 1990, fragmentation).

    Args:
        cpus: physical CPUs, P.
        vcpus: size of the gang, V, at most P.
        neighbours: single vCPUs that always want a CPU, N.

    Returns:
        The share, in (0, 1].

    Raises:
        ValueError: the gang is larger than the host and could never run.
    """
    if vcpus > cpus:
        raise ValueError(f"a gang of {vcpus} never fits on {cpus} CPUs")
    if neighbours == 0:
        return 1.0
    without, beside = min(neighbours, cpus), min(neighbours, cpus - vcpus)
    return without / (neighbours + without - beside)
