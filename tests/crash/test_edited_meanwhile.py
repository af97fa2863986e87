"""A guest that somebody edits while a killed run has it in hand."""

from __future__ import annotations

import json
import re
from pathlib import Path

from cut_short import CUT, command
from test_every_write import HOST, here, make


def lines_of_the_disk(folder: Path) -> int:
    """Changes of the disk that a whole run makes."""
    _, changes, _ = command(["run", "plan.yaml", "-q"], make(folder), lambda: here(folder))
    return changes


def test_an_edit_of_a_guest_in_the_shape_of_a_killed_run_is_not_lost_unsaid(tmp_path: Path) -> None:
    middle = lines_of_the_disk(tmp_path / "whole") // 2
    folder = make(tmp_path / "cut")
    assert command(["run", "plan.yaml", "-q"], folder, lambda: here(folder), cut_at=middle)[0] == CUT
    state = json.loads((folder / HOST).read_text())
    assert state["mark"] == "two"
    edited = re.sub('"memory": [0-9]+', '"memory": 2147483648', state["definition"])
    assert edited != state["definition"]
    (folder / HOST).write_text(json.dumps(state | {"definition": edited}))
    status, _, said = command(["resume", "last", "-q"], folder, lambda: here(folder))
    assert status == 2, said
    assert "guest bookings-1: was left in shape two, and its definition has been edited since" in said
    assert json.loads((folder / HOST).read_text())["definition"] == edited, "a refusal touches nothing"
    status, _, said = command(["resume", "last", "-q", "--accept-changes"], folder, lambda: here(folder))
    assert status == 0, said


def test_a_guest_that_nobody_edited_is_gone_on_with(tmp_path: Path) -> None:
    folder = make(tmp_path / "cut")
    assert command(["run", "plan.yaml", "-q"], folder, lambda: here(folder), cut_at=150)[0] == CUT
    assert json.loads((folder / HOST).read_text())["mark"] == "two"
    status, _, said = command(["resume", "last", "-q"], folder, lambda: here(folder))
    assert status == 0, said
