"""Which curves are followed, which law is chosen, and how far the words go; truth is known, scatter is seeded."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
import pytest

from orchestrator.core.verdict.cells import Observation, cells_of
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.scaling import Scaling, scalings
from orchestrator.core.verdict.scaling.laws import gustafson, universal
from orchestrator.core.verdict.scaling.words import told

RULE = Rule()
FOUR, EIGHT = {"four": 4}, {"eight": 8}
THREADS = (1, 2, 3, 4, 6, 8)

Truth = Callable[[int, int], float]


def measured(
    truth: Truth,
    shapes: dict[str, int] = EIGHT,
    threads: tuple[int, ...] = THREADS,
    *,
    blocks: int = 5,
    sd: float = 0.004,
    seed: int = 2,
    numbered: bool = True,
) -> list[Observation]:
    """Trials in blocks that share 1 %: throughput by vCPUs and threads, 100 a second for one of each."""
    rng = np.random.default_rng(seed)
    found = []
    for block in range(1, blocks + 1):
        shared = rng.normal(0, 0.01) if numbered else 0.0
        for shape, vcpus in shapes.items():
            for count in threads:
                rate = 100 * truth(vcpus, count) * math.exp(shared + rng.normal(0, sd))
                found.append(Observation(shape, vcpus, None, "bookings", count, block if numbered else None, rate))
    return found


def curve(observations: list[Observation], over: str = "threads", rule: Rule = RULE) -> Scaling:
    (found,) = [s for s in scalings(cells_of(observations), rule) if s.over == over]
    return found


def law(sigma: float, kappa: float) -> Truth:
    return lambda _, threads: float(universal(threads, sigma, kappa))


# --------------------------------------------------------------------------------------------------- choice of the law


def test_a_peak_among_the_measured_sizes_is_given_as_an_interval() -> None:
    found = curve(measured(law(0.04, 0.03)))
    assert found.law == "universal"
    assert found.peak is not None
    assert found.peak.high is not None
    assert found.peak.low < math.sqrt(0.96 / 0.03) < found.peak.high < 8
    assert (found.no_peak, found.peak_beyond) == (None, None)
    assert "peaks at 5." in found.sentence
    assert "falls beyond" in found.sentence


def test_amdahl_has_no_peak_in_sight() -> None:
    found = curve(measured(law(0.10, 0.0), seed=5))
    assert found.law == "amdahl"
    assert found.sigma is not None
    assert found.sigma.high is not None
    assert found.sigma.low < 0.10 < found.sigma.high
    assert found.peak is None
    assert found.peak_beyond is not None
    assert found.peak_beyond > 8
    assert "no peak is in sight up to 8" in (found.no_peak or "")
    assert found.limit is not None
    assert found.limit.high is not None
    assert found.limit.low < 1000 < found.limit.high
    assert "levels off" not in found.sentence  # 1000 is twice what was measured: too far to be named


def test_growth_in_proportion() -> None:
    found = curve(measured(law(0.0, 0.0)))
    assert found.law == "proportional"
    assert "in proportion" in found.sentence
    assert found.peak_beyond is not None
    assert found.peak_beyond > 16


def test_a_straight_line_below_proportion_is_gustafsons() -> None:
    found = curve(measured(lambda _, threads: float(gustafson(threads, 0.2))))
    assert found.law == "gustafson"
    assert found.sigma is not None
    assert found.sigma.high is not None
    assert found.sigma.low < 0.2 < found.sigma.high
    assert "each further one adds 80" in found.sentence


def test_growth_faster_than_in_proportion_is_no_law_and_is_told() -> None:
    found = curve(measured(lambda _, threads: threads**1.15))
    assert (found.law, found.peak) == (None, None)
    assert "faster than in proportion" in (found.why_no_law or "")
    assert "sigma -" in (found.unphysical or "")
    assert "by more than chance" in (found.unphysical or "")
    assert all(point.fitted is None for point in found.points)


def test_what_misses_by_less_than_the_margin_keeps_a_law_with_wider_intervals() -> None:
    def wavy(_: int, threads: int) -> float:
        return float(universal(threads, 0.04, 0.03)) * (1.015 if threads in {2, 6} else 1.0)

    smooth, rough = curve(measured(law(0.04, 0.03))), curve(measured(wavy))
    assert rough.law == "universal"
    assert "more than trials scatter" in rough.sentence
    assert rough.peak is not None
    assert rough.peak.high is not None
    assert smooth.peak is not None
    assert smooth.peak.high is not None
    assert rough.peak.high - rough.peak.low > 2 * (smooth.peak.high - smooth.peak.low)
    assert curve(measured(wavy), rule=Rule(margin=0.005)).law is None


def test_a_curve_that_bends_at_the_vcpus_is_followed_up_to_them() -> None:
    found = curve(measured(lambda vcpus, threads: float(universal(min(vcpus, threads), 0.05, 0.0)), FOUR))
    assert found.law == "amdahl"
    assert [p.size for p in found.points] == [1, 2, 3, 4]
    assert "share the shape's four vCPUs" in found.sentence


# -------------------------------------------------------------------------------------------- no further than the data


def test_fewer_than_four_sizes_have_no_law() -> None:
    found = curve(measured(law(0.05, 0.01), threads=(1, 4, 8)))
    assert (found.law, found.laws, found.peak, found.per_unit) == (None, (), None, None)
    assert found.why_no_law == "a law takes at least four sizes, and there are three"
    assert not [s for s in scalings(cells_of(measured(law(0.05, 0.01), threads=(1, 8))), RULE) if s.over == "threads"]


def test_why_there_is_no_law_is_said_once_for_all_curves() -> None:
    short = curve(measured(law(0.05, 0.01), threads=(1, 4, 8)))
    other = short.model_copy(update={"sentence": "More threads of fares on shape two, 1 to 8: the most was 9."})
    why = "a law takes at least four sizes, and there are three."
    assert told([short, other]) == (short.sentence, other.sentence, f"No law of scaling is fitted: {why}")
    whole = curve(measured(law(0.05, 0.01)))
    assert told([short, whole])[-1] == f"No law of scaling is fitted to one of two curves: {why}"
    assert told([whole]) == (whole.sentence,)


def test_single_readings_take_six_sizes() -> None:
    few = curve(measured(law(0.05, 0.01), threads=(1, 2, 3, 4, 6), blocks=1))
    assert few.law is None
    assert few.why_no_law == "a law takes at least six sizes where trials are not repeated, and there are five"
    many = curve(measured(law(0.05, 0.02), threads=(1, 2, 3, 4, 6, 8, 10, 12), blocks=1))
    assert many.law == "universal"
    assert "trials were not repeated" in many.sentence


def test_a_peak_far_beyond_what_was_measured_is_not_named() -> None:
    found = curve(measured(law(0.02, 0.002), sd=0.001, blocks=12))
    assert found.law == "universal"
    assert math.sqrt(0.98 / 0.002) > 2 * 8
    assert found.peak is None
    assert found.peak_beyond is not None
    assert 8 < found.peak_beyond < math.sqrt(0.98 / 0.002)
    assert "not in sight" in found.sentence


def test_much_scatter_claims_nothing() -> None:
    found = curve(measured(law(0.05, 0.01), sd=0.2, blocks=2))
    assert found.peak is None
    assert "the points do not tell" in found.sentence


# ------------------------------------------------------------------------------------------------------ which curves


def test_curves_over_threads_vcpus_and_both() -> None:
    shapes = {"one": 1, "two": 2, "four": 4, "eight": 8}
    found = scalings(
        cells_of(measured(lambda v, t: float(universal(min(v, t), 0.05, 0.0)), shapes, (1, 2, 4, 8))), RULE
    )
    kinds = [(s.over, s.shape, s.threads, [p.size for p in s.points]) for s in found]
    assert [k for k in kinds if k[0] == "threads"] == [("threads", s, None, [1, 2, 4, 8]) for s in shapes]
    # Four threads keep at most four vCPUs busy: larger shapes are not on that curve.
    assert [k for k in kinds if k[0] == "vcpus"] == [("vcpus", None, 4, [1, 2, 4]), ("vcpus", None, 8, [1, 2, 4, 8])]
    assert [k for k in kinds if k[0] == "both"] == [("both", None, None, [1, 2, 4, 8])]
    (both,) = [s for s in found if s.over == "both"]
    assert both.law == "amdahl"
    assert both.points[-1].efficiency == pytest.approx(1 / (1 + 0.05 * 7), abs=0.02)


def test_readings_without_blocks_pool_the_scatter_of_their_cells() -> None:
    found = curve(measured(law(0.04, 0.03), numbered=False))
    assert found.law == "universal"
    assert found.peak is not None


def test_neither_order_nor_unit_matters() -> None:
    observations = measured(law(0.04, 0.03))
    one = curve(observations)
    assert curve([*observations[7:], *reversed(observations[:7])]) == one
    tenfold = curve([Observation(o.shape, o.vcpus, None, o.workload, o.threads, o.block, 10 * o.throughput_per_s)
                     for o in observations])  # fmt: skip
    assert one.peak is not None
    assert tenfold.peak is not None
    assert tenfold.peak.value == pytest.approx(one.peak.value, rel=1e-6)
    assert tenfold.per_unit is not None
    assert one.per_unit is not None
    assert tenfold.per_unit.value == pytest.approx(10 * one.per_unit.value, rel=1e-6)


def test_more_scatter_never_narrows_an_interval() -> None:
    widths = []
    for sd in (0.002, 0.008, 0.03):
        sigma = curve(measured(law(0.04, 0.03), sd=sd)).sigma
        assert sigma is not None
        assert sigma.high is not None
        widths.append(sigma.high - sigma.low)
    assert widths == sorted(widths)


def test_a_verdict_on_24_cells_and_12_blocks_spends_little_on_it() -> None:
    shapes = {"one": 1, "two": 2, "four": 4, "eight": 8}
    observations = measured(
        lambda v, t: float(universal(min(v, t), 0.05, 0.001)), shapes, (1, 2, 4, 8, 12, 16), blocks=12
    )
    cells = cells_of(observations)
    began = time.process_time()
    found = scalings(cells, RULE)
    assert time.process_time() - began < 0.5  # 50 ms on a quiet machine
    assert len(found) == 9


def test_a_cell_that_lacks_blocks_does_not_bend_the_curve() -> None:
    """Blocks that differ by a fifth, and a cell that was measured in the slow ones only."""
    rng = np.random.default_rng(4)
    slow = {1: 0.8, 2: 0.8, 3: 1.0, 4: 1.0, 5: 1.0}
    observations = [
        Observation(
            "eight", 8, None, "bookings", n, block, 100 * level * law(0.10, 0.0)(8, n) * math.exp(rng.normal(0, 0.003))
        )
        for block, level in slow.items()
        for n in THREADS
        if n != 4 or block <= 2
    ]
    found = curve(observations)
    assert found.law == "amdahl"
    assert found.sigma is not None
    assert found.sigma.value == pytest.approx(0.10, abs=0.01)


def test_a_cell_that_scatters_far_more_than_the_others_weighs_less() -> None:
    """One size is measured with twentyfold scatter and came out 10 % low; the others follow the law."""
    rng = np.random.default_rng(9)
    rough = (-0.3, -0.2, -0.1, 0.02, 0.03)
    observations = [
        Observation(
            "eight",
            8,
            None,
            "bookings",
            n,
            block,
            100 * law(0.10, 0.0)(8, n) * math.exp(rough[block - 1] if n == 3 else rng.normal(0, 0.003)),
        )
        for block in range(1, 6)
        for n in THREADS
    ]
    found = curve(observations)
    assert found.sigma is not None
    assert found.sigma.value == pytest.approx(0.10, abs=0.02)


def test_a_flat_curve_is_called_flat() -> None:
    found = curve(measured(lambda *_: 1.0))
    assert "no gain shows" in found.sentence
    assert "peak" not in found.sentence
