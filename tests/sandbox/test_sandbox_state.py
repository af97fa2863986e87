"""What a sandbox notes of itself, whole at any moment, and changed by one command at a time."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from sandbox_places import made_layout

from orchestrator.errors import InputError, SandboxError
from orchestrator.sandbox.processes import ProcessId
from orchestrator.sandbox.state import GuestState, State, alone, load, save


def state() -> State:
    return State(
        made=[Path("/srv/sandbox")],
        host_uuid="6c1f5b1e-0000-4000-8000-000000000001",
        image="small",
        daemon=ProcessId(pid=7, started=8, boot="b"),
        guests={"bookings-1": GuestState(uuid="6c1f5b1e-0000-4000-8000-000000000002", port=40124)},
        lab=Path("/srv/plans/labs/sandbox.yaml"),
    )


def test_it_reads_what_it_wrote_and_nobody_else_does(place: Path) -> None:
    layout = made_layout(place)
    assert load(layout) is None
    save(layout, state())
    assert load(layout) == state()
    assert stat.S_IMODE(layout.state.stat().st_mode) == 0o600
    assert sorted(place.name for place in layout.root.iterdir() if place.is_file()) == ["state.json"]


def test_a_write_that_was_cut_off_leaves_the_state_as_it_was(place: Path) -> None:
    layout = made_layout(place)
    save(layout, state())
    (layout.root / "state.json.new").write_text('{"format": 1, "im')
    assert load(layout) == state()
    save(layout, state().model_copy(update={"image": "python"}))
    assert (after := load(layout)) is not None
    assert after.image == "python"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Invalid JSON"),
        ('{"format": 1, "ima', "Invalid JSON"),
        ('{"format": 2}', "format"),
        ('{"format": 1, "daemon": {"pid": "x", "started": 1, "boot": "b"}}', "daemon.pid"),
        ('{"format": 1, "more": true}', "more"),
    ],
)
def test_a_damaged_state_is_said_to_be_with_what_to_do(place: Path, text: str, says: str) -> None:
    layout = made_layout(place)
    layout.state.write_text(text)
    with pytest.raises(InputError, match=says) as refused:
        load(layout)
    assert f"trialbed sandbox down --folder {layout.root}" in str(refused.value)


def test_a_state_that_cannot_be_written_is_one_clear_error(place: Path) -> None:
    layout = made_layout(place)
    layout.state.mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        save(layout, state())


def test_a_second_command_is_refused_while_the_first_is_at_work(place: Path) -> None:
    layout = made_layout(place)
    with alone(layout), pytest.raises(SandboxError, match="another `trialbed sandbox` is at work"), alone(layout):
        pytest.fail("two at once")
    with alone(layout):
        pass


def test_a_lock_that_was_removed_with_its_sandbox_is_nobodys(place: Path) -> None:
    layout = made_layout(place)
    with alone(layout):
        layout.lock.unlink()  # as `down` does last
        with alone(layout):
            assert layout.lock.exists()
