"""What must hold of every verdict, whatever was measured: order, unit, names of cells and blocks, more scatter."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from verdict_cases import GIB, VCPUS

from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.comparison import Comparison
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import Verdict, verdict

#: Whole verdicts are computed for every example; each property has that of a few dozen.
settings.register_profile("verdicts", max_examples=20, deadline=None)
WHOLE = settings.get_profile("verdicts")
Floats = NDArray[np.float64]
OPPOSITE = {"faster": "slower", "slower": "faster", "equivalent": "equivalent", "undecided": "undecided"}


@dataclass(frozen=True)
class Design:
    """A complete block design with its logs: cells x blocks."""

    cells: tuple[tuple[str, int], ...]
    logs: tuple[tuple[float, ...], ...]

    def observations(self) -> list[Observation]:
        """One a cell and block."""
        return [
            Observation(shape, VCPUS[shape], GIB, "bookings", threads, block, math.exp(log))
            for (shape, threads), row in zip(self.cells, self.logs, strict=True)
            for block, log in enumerate(row, start=1)
        ]

    def changed(self, change: Callable[[Floats], Floats]) -> Design:
        """With other logs."""
        logs = change(np.array(self.logs))
        return replace(self, logs=tuple(tuple(float(log) for log in row) for row in logs))


@st.composite
def designs(draw: st.DrawFn, *, shapes: int = 4) -> Design:
    """Two to four shapes, one to three thread counts, 3 to 8 blocks; differences, scatter and blocks of any size.

    Readings come from a seeded generator: figures that hypothesis would make equal on purpose never tie here, so that
    a word can be asked to stay the same to the last digit.
    """
    names = draw(st.lists(st.sampled_from(sorted(VCPUS)), min_size=2, max_size=shapes, unique=True))
    threads = draw(st.lists(st.integers(1, 8), min_size=1, max_size=3, unique=True))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    cells = [(shape, count) for shape in names for count in threads]
    blocks, sd = draw(st.integers(3, 8)), draw(st.sampled_from([0.002, 0.01, 0.05]))
    logs = 5 + draw(st.sampled_from([0.0, 0.02, 0.3])) * rng.standard_normal((len(cells), 1))
    logs = logs + draw(st.sampled_from([0.0, 0.05])) * rng.standard_normal(blocks)
    scatter = sd * rng.standard_normal((len(cells), blocks))
    return Design(tuple(cells), tuple(tuple(float(log) for log in row) for row in logs + scatter))


def judged(observations: Sequence[Observation]) -> Verdict:
    return verdict(Evidence(tuple(observations)), Rule())


def words(found: Verdict) -> list[tuple[str, str, str]]:
    return [(c.base, c.new, c.verdict) for c in found.comparisons]


def advice(found: Verdict) -> list[tuple[int, str, str]]:
    return [(r.threads, r.shape, r.basis) for r in found.recommendations]


def width(found: Comparison) -> float:
    assert found.low is not None
    assert found.high is not None
    return math.log(found.high / found.low)


def intervals(found: Verdict) -> Mapping[tuple[str, str], tuple[float, float]]:
    return {(c.base, c.new): (c.low, c.high) for c in found.comparisons if c.low is not None and c.high is not None}


@WHOLE
@given(designs(), st.randoms(use_true_random=False))
def test_order_of_cells_and_readings_does_not_matter(design: Design, random: object) -> None:
    shuffled = design.observations()
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert judged(shuffled) == judged(design.observations())


@WHOLE
@given(designs())
def test_order_of_blocks_does_not_matter(design: Design) -> None:
    whole, turned = judged(design.observations()), judged(design.changed(lambda logs: logs[:, ::-1]).observations())
    assert words(turned) == words(whole)
    assert advice(turned) == advice(whole)
    for pair, bounds in intervals(whole).items():
        assert intervals(turned)[pair] == pytest.approx(bounds, rel=1e-9)


@WHOLE
@given(designs(), st.sampled_from([1e-6, 1 / 60, 3.0, 1e9]))
def test_the_unit_of_throughput_changes_no_word(design: Design, unit: float) -> None:
    whole, other = (
        judged(design.observations()),
        judged(design.changed(lambda logs: logs + math.log(unit)).observations()),
    )
    assert words(other) == words(whole)
    assert advice(other) == advice(whole)
    for pair, bounds in intervals(whole).items():
        assert intervals(other)[pair] == pytest.approx(bounds, rel=1e-9)


@WHOLE
@given(designs(shapes=2))
def test_exchanging_two_shapes_exchanges_the_words(design: Design) -> None:
    """The smaller shape is the base, so the readings of the two change places."""
    counts = len({threads for _, threads in design.cells})
    whole = judged(design.observations())
    turned = judged(design.changed(lambda logs: np.roll(logs, counts, axis=0)).observations())
    sizes = [[c for c in found.comparisons if c.question == "size"] for found in (whole, turned)]
    assert len(sizes[0]) == counts
    for one, other in zip(*sizes, strict=True):
        assert other.verdict == OPPOSITE[one.verdict]
        assert other.ratio == pytest.approx(1 / one.ratio, rel=1e-9)
        assert one.low is not None
        assert one.high is not None
        assert (other.low, other.high) == pytest.approx((1 / one.high, 1 / one.low), rel=1e-9)


@WHOLE
@given(designs(), st.floats(1.0, 20.0))
def test_more_scatter_never_narrows_an_interval(design: Design, factor: float) -> None:
    """What cell and block do not explain is made larger; ratios stay what they are."""

    def scattered(logs: Floats) -> Floats:
        model = logs.mean(axis=1, keepdims=True) + logs.mean(axis=0) - logs.mean()
        return np.asarray(model + factor * (logs - model))

    whole, other = judged(design.observations()), judged(design.changed(scattered).observations())
    for calm, wild in zip(whole.comparisons, other.comparisons, strict=True):
        assert wild.ratio == pytest.approx(calm.ratio, rel=1e-9)
        assert width(wild) >= width(calm) * (1 - 1e-9)
        # In proportion, too, unless more scatter took the help of an earlier step away.
        if wild.correction == calm.correction != "all pairs, stepwise":
            assert width(wild) == pytest.approx(factor * width(calm), rel=1e-6)


@WHOLE
@given(designs(), st.integers(0, 2**32), st.floats(0.01, 1.0))
def test_what_a_block_shares_changes_nothing(design: Design, seed: int, size: float) -> None:
    """A randomised block design (Fisher 1935): in complete blocks the effect of a block cancels."""
    shared = size * np.random.default_rng(seed).standard_normal(len(design.logs[0]))
    whole, other = judged(design.observations()), judged(design.changed(lambda logs: logs + shared).observations())
    assert words(other) == words(whole)
    assert advice(other) == advice(whole)
    for pair, bounds in intervals(whole).items():
        assert intervals(other)[pair] == pytest.approx(bounds, rel=1e-9)


@WHOLE
@given(designs())
def test_names_of_blocks_do_not_matter(design: Design) -> None:
    """Blocks 1, 2, 3 or 101, 108, 115: they tell readings apart, and a drift follows their order; nothing else."""
    renamed = judged([replace(o, block=94 + 7 * (o.block or 0)) for o in design.observations()])
    whole = judged(design.observations())
    named = {"remarks": (), "drifts": ()}
    assert renamed.model_copy(update=named) == whole.model_copy(update=named)
    for one, other in zip(renamed.drifts, whole.drifts, strict=True):
        assert one.blocks == tuple(94 + 7 * block for block in other.blocks)
        assert (one.ratio, one.p_trials, one.p_blocks) == pytest.approx((other.ratio, other.p_trials, other.p_blocks))
    assert len(renamed.remarks) == len(whole.remarks)


@WHOLE
@given(designs())
def test_a_word_is_what_its_interval_says(design: Design) -> None:
    """Faster and slower exclude 1; equivalent lies within the margin of one another."""
    for found in judged(design.observations()).comparisons:
        assert found.low is not None
        assert found.high is not None
        assert found.low <= found.ratio <= found.high
        match found.verdict:
            case "faster":
                assert found.low > 1
            case "slower":
                assert found.high < 1
            case "equivalent":
                assert 1 - Rule().margin <= found.low
                assert found.high <= 1 / (1 - Rule().margin) + 1e-12
            case "undecided":
                assert found.low <= 1 <= found.high


@WHOLE
@given(designs())
def test_a_wider_margin_never_asks_for_a_larger_shape(design: Design) -> None:
    evidence = Evidence(tuple(design.observations()))
    narrow, wide = (verdict(evidence, Rule(margin=margin)) for margin in (0.02, 0.10))
    for strict, lenient in zip(narrow.recommendations, wide.recommendations, strict=True):
        assert lenient.vcpus <= strict.vcpus


@pytest.mark.parametrize("factor", [0.5, 2.0, 1024.0])
def test_equal_figures_stay_equal_in_another_unit(factor: float) -> None:
    """Readings without any scatter, where rounding alone could make a difference."""
    rows = [("one", 1, 5.1), ("two", 1, 5.1), ("four", 1, 7.3)]
    same = [Observation(s, VCPUS[s], GIB, "bookings", t, b, rate) for s, t, rate in rows for b in (1, 2, 3)]
    other = [replace(o, throughput_per_s=factor * o.throughput_per_s) for o in same]
    assert words(judged(other)) == words(judged(same))
    assert advice(judged(other)) == advice(judged(same))
