"""The known-answer series themselves: if these moved, every table that rests on them would mean nothing."""

from __future__ import annotations

import itertools
import math

import pytest

from orchestrator.testing.series import autoregression, deviates, known, minimal_standard


def test_the_generator_gives_the_published_check_value():
    # Park & Miller 1988, CACM 31:1192: from seed 1 the 10,000th value of the minimal standard is 1043618065.
    assert next(itertools.islice(minimal_standard(1), 9_999, None)) == 1043618065


@pytest.mark.parametrize(
    ("name", "length", "mean", "first", "last"),
    # The recipe carried out independently with numpy, to 1e-8.
    [
        ("T0", 12, 5.0, 10.0, 4.0),
        ("T1", 1000, 97.997418750876, 57.71488658, 95.117114067),
        ("T2", 1000, 95.928809880920, 77.36137831, 96.921953883),
        ("T3", 1000, 0.194946240450, -4.54005999, -3.831452306),
        ("T4", 1000, 109.979619761840, 98.72275661, 119.823907767),
        ("T5", 60, 96.606508109234, 69.70172288, 99.937402024),
    ],
)
def test_series_are_what_the_recipe_says(name, length, mean, first, last):
    series = known(name)
    assert len(series) == length
    assert math.fsum(series) / length == pytest.approx(mean, abs=1e-9)
    assert series[0] == pytest.approx(first, abs=1e-8)
    assert series[-1] == pytest.approx(last, abs=1e-8)


def test_deviates_are_standard_and_an_autoregression_has_its_variance():
    noise = list(itertools.islice(deviates(9), 20_000))
    assert math.fsum(noise) / len(noise) == pytest.approx(0, abs=0.03)
    assert math.fsum(z * z for z in noise) / len(noise) == pytest.approx(1, abs=0.04)
    correlated = list(itertools.islice(autoregression(0.5, 9), 20_000))
    assert math.fsum(y * y for y in correlated) / len(correlated) == pytest.approx(1 / (1 - 0.25), rel=0.05)
