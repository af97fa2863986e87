"""The rule that a stored run's plan declares."""

from __future__ import annotations

from typing import Any

import pytest

from orchestrator.core.record.run import RunRecord
from orchestrator.core.verdict.price import Price
from orchestrator.core.verdict.rule import Rule, rule_of


def run(design: dict[str, Any] | None = None, **decide: Any) -> RunRecord:
    plan: dict[str, Any] = {"shapes": [], "decide": {"margin": 0.02, "confidence": 0.9, **decide}}
    if design is not None:
        plan["design"] = design
    return RunRecord(
        id="r",
        title="t",
        started_utc="",
        guest="g",
        guest_kind="",
        hypervisor="",
        order_rule="",
        seed=1,
        plan=plan,
        trials=(),
        versions={},
        inputs_sha256={},
    )


def test_a_plan_of_old_gives_the_usual_rule() -> None:
    assert rule_of(run()) == Rule(margin=0.02, confidence=0.9)


def test_everything_a_plan_may_declare_is_taken() -> None:
    price = {"vcpu": 0.02, "memory": 0.0, "unit": "EUR an hour"}
    found = rule_of(run({"blocks": 5}, wait=0.1, idle=0.8, price=price), per="minute")
    assert found == Rule(0.02, 0.9, "minute", 0.1, 0.8, Price(0.02, 0.0, "EUR an hour"))


@pytest.mark.parametrize("keys", [("at_least", "at_most"), ("at-least", "at-most")])
def test_a_run_until_decided_is_judged_with_its_looks(keys: tuple[str, str]) -> None:
    least, most = keys
    assert rule_of(run({"blocks": {least: 3, most: 6, "until": "decided"}})).looks == (3, 4, 5, 6)
