"""Where a run stands, as it is printed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from orchestrator.adapters.report.status_text import render_status
from orchestrator.cli.output import show_text
from orchestrator.core.record.journal import NotBack
from orchestrator.engine.status import InHand, Status

FOLDER = "/srv/results/20261128T180012Z-how-many-vcpus-does-the-bookings-database-need-3f1c"
LINES = (
    f"virsh -c qemu+ssh://bench@quay.saltmarsh.example/system define {FOLDER}/before/bookings-1/definition/domain.xml",
    "virsh -c qemu+ssh://bench@quay.saltmarsh.example/system start bookings-1",
)


@pytest.mark.parametrize("columns", ["60", "100"])
def test_lines_that_finish_by_hand_can_be_copied_into_a_shell_however_wide_the_terminal_is(
    columns: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    show_text(render_status(standing(), "second"))
    printed = capsys.readouterr().out.splitlines()
    assert [line for line in printed if "virsh" in line] == [f"    {line}" for line in LINES]
    assert max(len(line) for line in printed if "virsh" not in line) <= int(columns)


def test_the_trial_in_hand_is_drawn_and_each_next_step_stands_on_a_line_of_its_own(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    recent = ((10.0, False), (55.0, False), (80.0, True), (80.0, True))
    trial = InHand("0001-one-bookings-t1-b1", 1, 1, "measure", 12.0, 80.0, recent, "measuring")
    resume, restore = f"trialbed resume run-1 --store {FOLDER}", f"trialbed restore run-1 --store {FOLDER}"
    steps = f"{resume}, or to put the guest back only: {restore}"
    show_text(render_status(replace(standing(), trial=trial, next_step=steps), "minute"))
    printed = capsys.readouterr().out.splitlines()
    assert "  rate     \u2581\u2586|\u2588\u2588 4800 per minute" in printed
    assert f"  do next  {resume}" in printed
    assert f"  or       to put the guest back only: {restore}" in printed


def standing() -> Status:
    return Status(
        run="run-1",
        title="How many vCPUs does the bookings database need?",
        guest="bookings-1",
        guest_kind="virtual machine",
        location=FOLDER,
        began_utc="2026-11-28T18:00:12.000Z",
        state="not put back",
        why="a guest could not be put back",
        heard_utc="",
        heard_s=None,
        trial=None,
        ended=0,
        planned=4,
        whole_blocks=0,
        blocks=1,
        outcomes={"measured": 0, "unsteady": 0, "failed": 0},
        put_apart=0,
        reasons=(),
        look=None,
        spent_s=60.0,
        left=None,
        ends_utc="",
        guest_back=False,
        not_back=(NotBack("bookings-1", "no route to the host", LINES),),
        leases=(),
        next_step="trialbed restore run-1",
    )
