"""A quiet host as it is declared: what may be written, what it cannot go with, and what it does to time and words."""

from __future__ import annotations

from typing import Any

import pytest
from plan_samples import lab, plan
from pydantic import ValidationError

from orchestrator.core.design.fit import plan_misfits
from orchestrator.core.design.quiet import QuietHost
from orchestrator.core.design.schedule import Switch, estimate
from orchestrator.core.design.trials import trials
from orchestrator.engine.check_plan import forecast


def test_nothing_is_waited_for_unless_the_plan_asks_for_it() -> None:
    assert plan().quiet is None


def test_an_empty_mapping_asks_for_the_usual() -> None:
    asked = plan(quiet={}).quiet
    assert asked == QuietHost()
    assert (asked.busy_below, asked.wait, asked.then) == (0.05, 600, "go-on")
    assert (asked.pressure_below, asked.cooler_than) == (None, None)
    assert str(asked) == "busy below 5 %"


def test_everything_can_be_written() -> None:
    written = {"busy-below": "12 %", "pressure-below": "10 %", "cooler-than": "70 C", "wait": "2 min", "then": "skip"}
    asked = QuietHost.model_validate(written)
    assert asked.cooler_than == 70
    assert str(asked) == "busy below 12 %, pressure below 10 %, cooler than 70 °C"
    assert QuietHost.model_validate(written | {"cooler-than": "62.5 °C"}).cooler_than == 62.5
    assert "for 2 min at most" in asked.told
    assert "skipped, and counts as failed" in asked.told


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ({"busy-below": "0 %"}, "greater than 0"),
        ({"busy-below": 5}, "has no unit; write a percentage such as '3 %'"),
        ({"cooler-than": 70}, "has no unit; write a temperature such as '70 C'"),
        ({"cooler-than": "70 F"}, "not a temperature; write a number and degrees Celsius, for example '70 C'"),
        ({"cooler-than": "-5 C"}, "not a temperature"),
        ({"wait": "2 d"}, "less than or equal to 86400"),
        ({"then": "stop"}, "'go-on' or 'skip'"),
        ({"colder-than": "70 C"}, "Extra inputs"),
    ],
)
def test_what_is_refused(written: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError) as refused:
        QuietHost.model_validate(written)
    assert words in str(refused.value)


def test_neighbours_make_a_quiet_host_impossible_and_the_plan_is_refused() -> None:
    loud = plan(quiet={}, neighbours=[{"name": "hogs", "loops": 1}])
    (finding,) = plan_misfits(loud)
    assert finding.at == ("quiet",)
    assert "neighbours, which load the host on purpose" in finding.message
    assert plan_misfits(plan(quiet={})) == []
    assert plan_misfits(plan(neighbours=[{"name": "hogs", "loops": 1}])) == []


def test_waiting_is_part_of_the_longest_time_and_of_what_happens() -> None:
    asked, plain = plan(quiet={"wait": "7 min"}), plan()
    ordered = trials(plain)
    longer, usual = (estimate(p, ordered, Switch(0, 0)) for p in (asked, plain))
    assert longer.least_s == usual.least_s
    assert longer.most_s - usual.most_s == pytest.approx(7 * 60 * len(ordered))
    actions = forecast(asked, lab(), Switch(0, 0)).actions
    assert [action for action in actions if "quiet host" in action] == [
        "before each trial, with the guest off, a quiet host is waited for (busy below 5 %), for 7 min at most; "
        "a trial whose host is not quiet by then is measured all the same and flagged"
    ]
    assert not any("quiet" in action for action in forecast(plain, lab(), Switch(0, 0)).actions)
