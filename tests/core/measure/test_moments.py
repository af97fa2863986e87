"""The mean against NIST's certified values.

Source: NIST Statistical Reference Datasets, univariate summary statistics; the certified values stand in the headers of
the data files. Data: tests/data/nist, which says where it comes from; NumAcc1 to 4 are made by their recipe.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from orchestrator.core.measure.moments import mean

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


#: Of 15; a running sum keeps 14.0 on NumAcc2 and NumAcc4.
LEAST = 14.9
CERTIFIED = [
    # set, n, mean
    ("Lew", 200, -177.435),
    ("Lottery", 218, 518.958715596330),
    ("Mavro", 50, 2.00185600000000),
    ("Michelso", 100, 299.852400000000),
    ("PiDigits", 5000, 4.53480000000000),
    ("NumAcc1", 3, 10000002),
    ("NumAcc2", 1001, 1.2),
    ("NumAcc3", 1001, 1000000.2),
    ("NumAcc4", 1001, 10000000.2),
]


@pytest.mark.parametrize(("name", "n", "certified"), CERTIFIED, ids=[row[0] for row in CERTIFIED])
def test_certified_digits_are_reached(name, n, certified):
    values = data(name)
    assert len(values) == n
    assert digits(mean(values), certified) >= LEAST


def test_a_running_sum_would_fail_on_the_same_data():
    """The digits demanded above are not free."""
    values = data("NumAcc4")
    assert digits(float(np.cumsum(values)[-1]) / len(values), 10000000.2) < LEAST


def test_no_value_is_refused_in_words():
    with pytest.raises(ValueError, match=r"value"):
        mean([])
