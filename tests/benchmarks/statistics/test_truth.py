"""The generator's truth is the truth, and the scorer counts what it says: otherwise every figure would mean nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
import score_early
import score_series
from score_series import Score, figures
from series import EXTRAS, FAMILIES, LONGEST, NEVER_STEADY, NOISES, SAFE, SHORTEST, WARM_UPS, Truth, Values, series

from orchestrator.core.measure.log import read_log


def drawn(seed: int, count: int, *families: str) -> list[tuple[Values, Truth]]:
    rng = np.random.default_rng(seed)
    return [series(rng, str(rng.choice(families))) for _ in range(count)]


def test_the_mean_and_its_deviation_are_what_the_series_show() -> None:
    """Of series that need no cut, or a sharp one, the means lie around the true one as far as the truth says."""
    found: dict[str, list[float]] = {}
    for values, truth in drawn(1, 900, "none", "step", *EXTRAS):
        if truth.warm_up in {"none", "step"} and "counter reset" not in truth.extras:
            kept = values[truth.end :]
            assert truth.mean is not None
            assert truth.sd_of_mean is not None
            miss = (float(np.nanmean(kept)) - truth.mean) / truth.sd_of_mean(int(np.isfinite(kept).sum()))
            found.setdefault(truth.extras[0] if truth.extras else truth.noise, []).append(miss)
    assert set(found) >= {*NOISES, *EXTRAS[:-1]}
    for name, misses in found.items():
        n = len(misses)
        assert abs(np.mean(misses)) <= 4 / math.sqrt(n), name
        assert np.std(misses) == pytest.approx(1, abs=4 / math.sqrt(2 * n)), name


@pytest.mark.parametrize("family", WARM_UPS[1:])
def test_the_first_safe_second_is_the_first_from_which_the_warm_up_stays_near(family: str) -> None:
    """Over many series the noise averages out: just before the end more than one percent is missing, behind it less."""
    before, behind = [], []
    for values, truth in drawn(2, 150, family):
        if truth.end and truth.mean and not truth.extras and truth.end >= 3:
            share = values / truth.mean - 1
            before.append(abs(share[truth.end - 1]))
            behind.append(abs(np.mean(share[truth.end : truth.end + 5])))
    assert np.median(before) > SAFE
    assert np.median(behind) < np.median(before)


def test_series_are_as_long_as_said_and_the_same_for_the_same_seed() -> None:
    for family in FAMILIES:
        values, truth = series(np.random.default_rng(3), family)
        again, _ = series(np.random.default_rng(3), family)
        np.testing.assert_array_equal(values, again)
        assert SHORTEST <= len(values) <= LONGEST
        assert truth.steady == (family not in NEVER_STEADY)
        assert truth.kind == (family if family in NEVER_STEADY else None)
        assert (truth.mean is None, truth.end is None) == (not truth.steady, not truth.steady)
        assert len(series(np.random.default_rng(3), family, 600)[0]) == 600
    assert all(np.isnan(values).any() for values, _ in drawn(4, 5, "gaps"))
    for values, truth in drawn(5, 20, "counter reset"):
        assert truth.mean is not None
        assert values.min() < 0 or values.max() > 10 * truth.mean


def test_no_warm_up_takes_more_than_two_fifths_of_a_steady_series() -> None:
    for values, truth in drawn(6, 300, *WARM_UPS):
        assert truth.end is not None
        assert truth.end <= 0.4 * len(values) + 1


def test_a_perfect_answer_meets_every_target_and_a_bad_one_none() -> None:
    """The scorer can tell them apart, and one answer that is wrong is counted as one."""
    steady, never = (
        Truth(family, "none", "white", family == "none", 1.0, 5, None, None) for family in ("none", "drift")
    )
    perfect = [Score(0, steady, False, "", 0.0, n % 20 > 0, 1.0, False, 10) for n in range(80)]
    perfect += [Score(0, never, True, "drift")] * 20
    assert {one.met for one in figures(perfect)} == {True, None}
    bad = [Score(0, steady, True, "drift")] * 20 + [Score(0, steady, False, "", 0.1, False, 2.0, True, 900)] * 60
    bad += [Score(0, never, False)] * 20
    assert {one.met for one in figures(bad)} == {False, None}


def test_a_score_is_of_the_answer_that_read_gives() -> None:
    values, truth = score_series.drawn(7, "exponential up", 0)
    found, scored = read_log(None, values.tolist()), score_series.score(0, values, truth)
    assert scored.refused is not found.steady
    if found.steady:
        assert scored.bias == pytest.approx((found.mean or 0) / (truth.mean or 1) - 1)
        assert scored.covered == ((found.low or 0) <= (truth.mean or 0) <= (found.high or 0))


def test_a_quiet_trial_is_stopped_early_and_right() -> None:
    values = 1000 * (1 + 0.003 * np.random.default_rng(8).standard_normal(600))
    truth = Truth("none", "none", "white", True, 1000.0, 0, lambda n: 3 / math.sqrt(n), None)
    stop = score_early.stopped(0, values, truth)
    assert stop.reached
    assert stop.time_s < 600
    assert stop.error is not None
    assert stop.error < 0.005
    first, _ = score_early.figures([stop])
    assert first[0].value == 100
