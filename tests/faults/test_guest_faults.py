"""What a guest can do to a night: be less than was asked for, never boot, or not go off."""

from __future__ import annotations

import pytest
from nights import STRUCK, Night

from orchestrator.core.record.trial import TrialRecord


def stop_s(record: TrialRecord) -> float:
    return next(each.seconds for each in record.stages if each.stage == "stop")


def test_a_guest_that_reports_fewer_cpus_than_asked_is_not_measured() -> None:
    record = Night(faults=[{"kind": "fewer-cpus", "trial": STRUCK}]).struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "verify", "guest")
    assert record.shape == "two"
    assert "1 CPU is online where 2 were asked for" in record.reason
    assert record.summary is None


@pytest.mark.parametrize(("force", "takes_s"), [(True, 20.0), (False, 120.0)])
def test_a_guest_that_never_boots_is_not_asked_long_to_shut_down_where_force_is_allowed(
    force: bool, takes_s: float
) -> None:
    deaf = {"kind": "will-not-stop", "trial": STRUCK, "attempts": 2}  # it goes off when the next trial asks again
    night = Night(faults=[{"kind": "does-not-boot", "trial": STRUCK}, deaf])
    night.world.force_off = force
    record = night.struck()
    assert (record.failed_stage, record.fault) == ("log in", "guest")
    assert stop_s(record) == pytest.approx(takes_s, abs=0.1)


def test_a_guest_that_was_logged_in_to_has_the_whole_time_to_shut_down() -> None:
    night = Night(faults=[{"kind": "will-not-stop", "trial": STRUCK}])
    night.world.force_off = True
    record = night.struck()
    assert record.outcome == "measured"
    assert stop_s(record) > 100
