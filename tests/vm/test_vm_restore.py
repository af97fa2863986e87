"""Real guests that a run has left behind: put back by the command, and by hand as the command says."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml
from vm_runs import MEASURE, ONE, TWO, workload
from vm_sandbox import BOOKINGS, Sandbox, finish, read_until, start

from orchestrator.core.design.shape import Shape
from orchestrator.engine.differences import compare
from orchestrator.engine.ports import SavedGuest

pytestmark = pytest.mark.vm


def test_a_killed_run_is_put_back_without_going_on_with_it(sandbox: Sandbox, tmp_path: Path) -> None:
    declared = {
        "title": "What does a killed run leave?",
        "lab": "lab.yaml",
        "guest": BOOKINGS,
        "shapes": [TWO],
        "workloads": [workload("work")],
        "design": {"blocks": 1},
        "measure": MEASURE,
    }
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump(declared))
    (tmp_path / "lab.yaml").write_text(sandbox.lab_text)
    before = sandbox.definition(BOOKINGS)
    process = start(tmp_path, "run", "plan.yaml")
    read_until(process, "log in")
    process.kill()
    finish(process)
    assert sandbox.is_on(BOOKINGS)
    assert sandbox.definition(BOOKINGS) != before

    checked = start(tmp_path, "restore", "last", "--check", "--json")
    output, errors = finish(checked)
    assert checked.returncode == 1, errors
    [guest] = json.loads(output)["guests"]
    assert any("<vcpu" in line for line in guest["lines"]), guest
    assert sandbox.definition(BOOKINGS) != before, "comparing touches nothing"

    (run,) = (tmp_path / "results").iterdir()
    copy = shutil.copytree(run, tmp_path / "copy, under another name")
    restored = start(tmp_path, "restore", str(copy))
    output, errors = finish(restored)
    assert restored.returncode == 0, errors
    assert "put back" in output
    assert sandbox.definition(BOOKINGS) == before
    assert not sandbox.is_on(BOOKINGS)
    again = start(tmp_path, "restore", "last")
    output, errors = finish(again)
    assert (again.returncode, "it was not touched" in output) == (0, True), errors


@pytest.mark.parametrize("was_on", [True, False])
def test_what_is_typed_by_hand_really_puts_a_guest_back(sandbox: Sandbox, tmp_path: Path, was_on: bool) -> None:
    """By virsh itself, on a guest that is on in another shape; and once more on one that is as it was."""
    lab = sandbox.lab()
    driver = sandbox.driver(BOOKINGS, lab)
    saved = SavedGuest(driver.save().files, running=was_on)
    place = tmp_path / "the ferry's run"
    place.mkdir()
    for name, content in saved.files.items():
        (place / name).write_bytes(content)
    driver.reshape(Shape.model_validate(ONE | {"name": "other", "memory": "160 MiB"}), saved)
    driver.start()
    for _ in range(2):
        lines = "\n".join(driver.by_hand(saved, str(place)))
        done = subprocess.run(["sh", "-e"], input=lines, capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == 0, done.stderr + lines
        assert compare(BOOKINGS, saved, driver).lines == ()
    driver.close()
    sandbox.switch_off(BOOKINGS)


def test_a_guest_that_was_defined_back_but_not_restarted_is_not_as_it_was(sandbox: Sandbox) -> None:
    driver = sandbox.driver(BOOKINGS, sandbox.lab())
    saved = driver.save()
    driver.reshape(Shape.model_validate(TWO), saved)
    driver.start()
    sandbox.define(saved.files["domain.xml"].decode())
    found = compare(BOOKINGS, SavedGuest(saved.files, running=True), driver)
    assert (found.found, len(found.lines)) == ("differs", 1)
    assert "it runs, but not as it is defined" in found.lines[0]
    sandbox.switch_off(BOOKINGS)
    assert compare(BOOKINGS, saved, driver).found == "same"
    driver.close()
