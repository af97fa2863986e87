"""Every malformed plan and lab that we know of, through the command: status 2, messages with places, no traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
import test_plan_file_labs
import test_plan_file_values
import test_plan_file_yaml
from plan_texts import DRIVERS, LAB, PLAN, edited
from pytest_mock import MockerFixture

from orchestrator.cli import invoke
from orchestrator.wiring import plans

PLANS = [
    *(text for text, *_ in test_plan_file_yaml.TEXTS),
    *(edited(PLAN, old, new) for old, new, *_ in test_plan_file_values.CASES),
]
LABS = [edited(LAB, old, new) for old, new, *_ in test_plan_file_labs.CASES]


def test_there_are_many() -> None:
    assert len(set(PLANS)) + len(set(LABS)) >= 250


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mocker: MockerFixture) -> Path:
    """An empty working directory; the drivers that the texts name are invented, so the command is told of them."""
    monkeypatch.chdir(tmp_path)
    mocker.patch("orchestrator.wiring.plans.driver_facts", return_value=DRIVERS)
    return tmp_path


def test_the_texts_are_good_before_they_are_spoilt(place: Path) -> None:
    (place / "plan.yaml").write_text(PLAN)
    (place / "lab.yaml").write_text(LAB)
    assert plans.load_plan(place / "plan.yaml", None).plan.guest == "bookings-1"


@pytest.mark.parametrize("command", ["check", "run"])
def test_every_malformed_file_is_wrong_input(command: str, place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for plan, lab in [*((plan, LAB) for plan in PLANS), *((PLAN, lab) for lab in LABS)]:
        Path("plan.yaml").write_text(plan)
        Path("lab.yaml").write_text(lab)
        assert invoke([command, "plan.yaml", "--lab", "lab.yaml"]) == 2, plan + lab
        captured = capsys.readouterr()
        assert captured.out == ""
        assert "Traceback" not in captured.err
        assert "defect" not in captured.err
        assert captured.err.removeprefix("trialbed: ").startswith(("plan.yaml", "lab.yaml")), captured.err
    assert sorted(path.name for path in place.iterdir()) == ["lab.yaml", "plan.yaml"], "nothing else was made"
