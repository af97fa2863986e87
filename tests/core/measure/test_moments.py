"""Mean, standard deviation and lag-1 autocorrelation against NIST's certified values.

Source: NIST Statistical Reference Datasets, univariate summary statistics; the certified values stand in the headers of
the data files. Data: tests/data/nist, which says where it comes from; NumAcc1 to 4 are made by their recipe.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from orchestrator.core.measure.moments import lag1_autocorrelation, mean, standard_deviation

NIST = Path(__file__).parents[2] / "data" / "nist"


def data(name: str) -> list[float]:
    if name == "NumAcc1":
        return [10000001.0, 10000003.0, 10000002.0]
    if name.startswith("NumAcc"):
        whole = {"NumAcc2": "1", "NumAcc3": "1000000", "NumAcc4": "10000000"}[name]
        return [float(f"{whole}.2"), *([float(f"{whole}.1"), float(f"{whole}.3")] * 500)]
    lines = [line for line in (NIST / f"{name}.txt").read_text().splitlines() if not line.startswith("#")]
    return [float(c) for c in "".join(lines)] if name == "PiDigits" else [float(line) for line in lines]


def digits(found: float, certified: float) -> float:
    """Log relative error: how many digits agree, at most 15."""
    if found == certified:
        return 15.0
    return min(15.0, -math.log10(abs(found - certified) / abs(certified)))


CERTIFIED = [
    # set, n, mean, sd, lag-1 autocorrelation, and the digits that a two-pass sum in double precision can reach
    ("Lew", 200, -177.435, 277.332168044316, -0.307304800605679, (14.9, 14.9, 14.6)),
    ("Lottery", 218, 518.958715596330, 291.699727470969, -0.120948622967393, (14.9, 14.9, 14.8)),
    ("Mavro", 50, 2.00185600000000, 0.000429123454003053, 0.937989183438248, (14.9, 13.0, 13.6)),
    ("Michelso", 100, 299.852400000000, 0.0790105478190518, 0.535199668621283, (14.9, 13.7, 13.3)),
    ("PiDigits", 5000, 4.53480000000000, 2.86733906028871, -0.00355099287237972, (14.9, 14.9, 14.0)),
    ("NumAcc1", 3, 10000002, 1, -0.5, (14.9, 14.9, 14.9)),
    ("NumAcc2", 1001, 1.2, 0.1, -0.999, (14.9, 14.0, 14.0)),
    ("NumAcc3", 1001, 1000000.2, 0.1, -0.999, (14.9, 9.4, 11.0)),
    ("NumAcc4", 1001, 10000000.2, 0.1, -0.999, (14.9, 8.2, 10.0)),
]


@pytest.mark.parametrize("certified", CERTIFIED, ids=[row[0] for row in CERTIFIED])
def test_certified_digits_are_reached(certified):
    name, n, certified_mean, certified_sd, certified_r1, least = certified
    values = data(name)
    assert len(values) == n
    assert digits(mean(values), certified_mean) >= least[0]
    assert digits(standard_deviation(values), certified_sd) >= least[1]
    assert digits(lag1_autocorrelation(values), certified_r1) >= least[2]


def test_one_pass_sums_would_fail_on_the_same_data():
    """The digits demanded above are not free: the textbook one-pass formula loses them all on NumAcc4."""
    values = np.array(data("NumAcc4"))
    one_pass = math.sqrt(abs(float((values**2).sum() - values.sum() ** 2 / len(values))) / (len(values) - 1))
    assert digits(one_pass, 0.1) < 4


@pytest.mark.parametrize(
    ("function", "values"), [(mean, []), (standard_deviation, [1.0]), (lag1_autocorrelation, [2.0])]
)
def test_too_few_values_are_refused_in_words(function, values):
    with pytest.raises(ValueError, match=r"value"):
        function(values)


def test_equal_values_have_no_autocorrelation():
    with pytest.raises(ValueError, match="equal values"):
        lag1_autocorrelation([3.0, 3.0, 3.0])
