"""Series with known answers: one that is published, and some that are the same in every language.

The latter are made without any library's random numbers. The generator is the minimal standard of Park & Miller 1988,
``s <- 16807 s mod (2^31 - 1)``, u = s / (2^31 - 1); a normal deviate is the sum of twelve u less 6. One generator a
series, seeded with the series' own number.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

MODULUS = 2**31 - 1
MULTIPLIER = 16807


def minimal_standard(seed: int) -> Iterator[int]:
    """The states that follow ``seed``, without end. Published check: from 1, the 10,000th is 1043618065."""
    state = seed
    while True:
        state = MULTIPLIER * state % MODULUS
        yield state


def deviates(seed: int) -> Iterator[float]:
    """Nearly normal deviates of mean 0 and variance 1, without end."""
    states = minimal_standard(seed)
    while True:
        total = 0.0
        for _ in range(
            12
        ):  # written out: sum() compensates from Python 3.12 on, and the last digit must not depend on it
            total += next(states) / MODULUS
        yield total - 6.0


def autoregression(phi: float, seed: int) -> Iterator[float]:
    """A stationary AR(1) of unit innovations: y_t = phi y_t-1 + z_t, without end."""
    noise = deviates(seed)
    value = next(noise) / math.sqrt(1 - phi * phi)
    while True:
        yield value
        value = phi * value + next(noise)


def _t1() -> list[float]:
    noise = autoregression(0.5, seed=1)
    return [100 - 40 * math.exp(-t / 50) + 3 * next(noise) for t in range(1000)]


def _t2() -> list[float]:
    noise = deviates(2)
    return [(80 if t < 200 else 100) + 2 * next(noise) for t in range(1000)]


def _t3() -> list[float]:
    noise = autoregression(0.9, seed=3)
    return [next(noise) for _ in range(1000)]


def _t4() -> list[float]:
    noise = deviates(4)
    return [100 + 0.02 * t + 2 * next(noise) for t in range(1000)]


def _t5() -> list[float]:
    noise = deviates(5)
    return [100 - 30 * math.exp(-t / 6) + next(noise) for t in range(60)]


#: T0 is small enough to check by hand; T1 warms up with correlated noise, T2 steps, T3 is steady and strongly
#: correlated, T4 drifts and is never steady, T5 is short.
KNOWN: dict[str, Callable[[], list[float]]] = {
    "T0": lambda: [10.0, 8.0, 6.0, 5.0, 4.0, 4.0, 3.0, 4.0, 5.0, 4.0, 3.0, 4.0],
    "T1": _t1,
    "T2": _t2,
    "T3": _t3,
    "T4": _t4,
    "T5": _t5,
}


def known(name: str) -> list[float]:
    """One of the known-answer series, T0 to T5."""
    return KNOWN[name]()


# fmt: off
#: Annual flow of the Nile at Aswan, 1871 to 1970, in 10^8 m^3 (Cobb 1978, Biometrika 65:243; public domain).
NILE: list[float] = [float(flow) for flow in (
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969, 831,
    726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845,
    944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918,
    986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
)]
# fmt: on
