"""Processes that are left behind on purpose are found again, and no others are mistaken for them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import guest_account, tool_account
from orchestrator.sandbox.folders import prepare
from orchestrator.sandbox.layout import layout_of
from orchestrator.sandbox.processes import ProcessId, alive, descendants, find, start_detached, stop, write_as

pytestmark = pytest.mark.real
CLOCK = SystemClock()
Start = Callable[..., ProcessId]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[ProcessId] = []

    def begin(*argv: str) -> ProcessId:
        with (tmp_path / "log").open("ab") as log:
            started.append(start_detached(argv, tool_account(), {"PATH": os.defpath, "MARK": "set"}, log))
        return started[-1]

    yield begin
    for process in started:
        stop(process, CLOCK, 0.5)


def wait_until(condition: Callable[[], object]) -> None:
    end_s = CLOCK.monotonic() + 10
    while not condition():
        assert CLOCK.monotonic() < end_s, "waited for 10 s in vain"
        CLOCK.sleep(0.02)


def test_it_is_nobodys_child_and_leads_a_session_of_its_own(start: Start, tmp_path: Path) -> None:
    process = start("/bin/sh", "-c", 'echo out; echo err >&2; echo "$MARK$HOME"; exec sleep 60')
    wait_until(lambda: (tmp_path / "log").read_text().count("\n") == 3)
    assert (tmp_path / "log").read_text() == "out\nerr\nset\n"
    assert alive(process)
    assert os.getsid(process.pid) == process.pid
    status = Path(f"/proc/{process.pid}/status").read_text()
    assert f"PPid:\t{os.getpid()}\n" not in status


def test_it_outlives_the_program_that_started_it(tmp_path: Path) -> None:
    program = (
        "import sys, pathlib; from orchestrator.sandbox.processes import start_detached;"
        "from orchestrator.sandbox.accounts import tool_account;"
        "log = open(sys.argv[1], 'ab');"
        "print(start_detached(['/bin/sleep', '60'], tool_account(), {}, log).model_dump_json())"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "log")], capture_output=True, check=True, env=environment
    )
    process = ProcessId.model_validate_json(done.stdout)
    assert alive(process)
    assert stop(process, CLOCK)
    assert not alive(process)


def test_one_that_nobody_has_reaped_counts_as_gone() -> None:
    with subprocess.Popen(["sleep", "60"]) as child:
        fields = Path(f"/proc/{child.pid}/stat").read_text().rpartition(")")[2].split()
        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        process = ProcessId(pid=child.pid, started=int(fields[19]), boot=boot)
        assert alive(process)
        child.send_signal(signal.SIGKILL)
        wait_until(lambda: not alive(process))
        assert Path(f"/proc/{child.pid}").exists(), "it is still there as a zombie"


@pytest.mark.parametrize("change", [{"started": 1}, {"boot": "another"}])
def test_a_successor_with_the_same_number_is_never_stopped(start: Start, change: dict[str, object]) -> None:
    process = start("/bin/sleep", "60")
    earlier = process.model_copy(update=change)
    assert not alive(earlier)
    assert stop(earlier, CLOCK), "what it names has gone"
    assert alive(process)


def test_one_that_does_not_heed_the_request_is_ended(start: Start, tmp_path: Path) -> None:
    process = start("/bin/sh", "-c", "trap 'echo heard' TERM; echo ready; while :; do sleep 0.05; done")
    wait_until(lambda: "ready" in (tmp_path / "log").read_text())
    assert stop(process, CLOCK, 0.5)
    assert "heard" in (tmp_path / "log").read_text()
    assert not alive(process)


def test_nothing_is_done_for_what_was_never_started() -> None:
    assert not alive(None)
    assert stop(None, CLOCK)


def test_a_process_is_found_by_its_name_its_command_line_and_its_user(start: Start, tmp_path: Path) -> None:
    odd = tmp_path / "sl) R 1 (p"  # a name that a careless reader of /proc/PID/stat trips over
    shutil.copy("/bin/sleep", odd)
    process = start(str(odd), "60")
    wait_until(lambda: find(("sl)",), str(tmp_path), {os.geteuid()}))
    assert find(("sl)",), str(tmp_path), {os.geteuid()}) == [process]
    assert find(("sshd",), str(tmp_path), {os.geteuid()}) == []
    assert find(("sl)",), f"{tmp_path}/other", {os.geteuid()}) == []
    assert find(("sl)",), str(tmp_path), {os.geteuid() + 1}) == []
    alike = f"/{tmp_path.relative_to(tmp_path.parents[1])}"
    assert find(("sl)",), alike, {os.geteuid()}) == [], "another folder's, whose path ends like this one"


def test_what_is_written_for_the_guests_user_cannot_be_led_elsewhere(place: Path) -> None:
    """As root: whoever controls the folder that is written to must not gain what only root can write."""
    tool, guests = tool_account(), guest_account(tool_account())
    layout = layout_of(place / "s", tool)
    prepare(layout, tool, guests)
    written = layout.root / "cfg/libvirt/qemu.conf"
    write_as(guests, written, "first\n")
    assert written.read_text() == "first\n"
    assert {(part.stat().st_uid, part.stat().st_mode & 0o077) for part in (written, written.parent)} == {
        (guests.uid, 0)
    }

    precious = place / "precious"
    precious.write_text("the administrator's\n")
    precious.chmod(0o600)
    written.unlink()
    written.symlink_to(precious)
    if tool.uid == 0:
        with pytest.raises(SandboxError, match="Permission denied"):
            write_as(guests, written, "led astray\n")
    assert precious.read_text() == "the administrator's\n"


def test_children_and_theirs_are_found(start: Start) -> None:
    process = start("/bin/sh", "-c", "sh -c 'sleep 61; true'; true")
    wait_until(lambda: len(descendants(process)) == 2)
    children = descendants(process)
    assert all(alive(child) for child in children)
    for child in children:
        assert stop(child, CLOCK)
