"""What the price of a shape buys."""

from __future__ import annotations

import pytest
from verdict_cases import GIB, blocks, evidence, observe

from orchestrator.core.record.stored_plan import StoredPlan
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.price import Price, price_in
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import verdict

PRICE = Price(vcpu=0.02, memory=0.005, unit="EUR an hour")


def test_a_size_costs_its_vcpus_and_its_memory() -> None:
    assert PRICE.of(4, 8 * GIB) == pytest.approx(0.12)
    assert PRICE.of(4, None) is None
    assert Price(vcpu=0.02).of(4, None) == pytest.approx(0.08)


@pytest.mark.parametrize("wrong", [{}, {"vcpu": -1.0}, {"memory": float("nan")}])
def test_a_price_without_sense_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"price|costs"):
        Price(**wrong)


def test_a_plan_may_declare_a_price() -> None:
    declared = {"price": {"vcpu": 0.02, "memory": 0.005, "unit": "EUR an hour"}}
    assert price_in(StoredPlan({"decide": declared})) == PRICE
    assert price_in(StoredPlan({"decide": {"price": None}})) is None
    assert price_in(StoredPlan({"decide": {}})) is None


def test_each_cell_gives_operations_for_its_cost_with_the_interval_of_its_mean() -> None:
    found = verdict(evidence(blocks({("one", 1): 100, ("four", 1): 200}, k=4, sd=0.01)), Rule(price=PRICE))
    assert found.price_unit == "EUR an hour"
    for cell, value in zip(found.cells, found.values, strict=True):
        cost = 0.02 * cell.vcpus + 0.005
        assert value.price == pytest.approx(cost)
        assert (value.per_cost, value.low, value.high) == pytest.approx(
            (cell.throughput_per_s / cost, (cell.low or 0) / cost, (cell.high or 0) / cost)
        )


def test_the_best_value_need_not_be_the_recommended_shape() -> None:
    """Twice the throughput for nearly four times the price: recommended, and no bargain."""
    found = verdict(evidence(blocks({("one", 1): 100, ("four", 1): 200}, k=5, sd=0.01)), Rule(price=PRICE))
    (best,) = found.best_values
    assert (found.recommendations[0].shape, best.shape, best.rivals) == ("four", "one", ())
    assert best.sentence.startswith("Shape one gives the most for its price with one thread: 4")
    assert best.sentence.endswith("the intervals show it.")


def test_rivals_are_shapes_that_may_give_as_much() -> None:
    found = verdict(evidence(blocks({("one", 1): 100, ("two", 1): 180.5}, k=3, sd=0.02)), Rule(price=PRICE))
    (best,) = found.best_values
    assert len(best.rivals or ()) == 1
    assert "cannot be excluded from giving as much" in best.sentence


def test_single_readings_leave_the_best_value_open() -> None:
    (best,) = verdict(evidence([observe("one", 1, 100), observe("two", 1, 120)]), Rule(price=PRICE)).best_values
    assert best.rivals is None
    assert "carry no uncertainty" in best.sentence


def test_without_a_price_nothing_is_said_of_cost() -> None:
    found = verdict(evidence(blocks({("one", 1): 100, ("two", 1): 180}, k=3, sd=0.02)))
    assert (found.values, found.best_values, found.price_unit) == ((), (), None)


def test_a_shape_whose_memory_is_not_known_has_no_price() -> None:
    seen = [observe("one", 1, 100, memory=None), observe("two", 1, 120), observe("four", 1, 130)]
    found = verdict(Evidence(tuple(seen)), Rule(price=PRICE))
    assert [value.shape for value in found.values] == ["two", "four"]
