"""Power, shape and home of a process guest, and that nothing of it outlives its time."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import pytest
from here_guest import GuestUnderTest, alive, eventually, shape

from orchestrator.core.design.shape import Topology
from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import GuestFault, HostFault, RestoreError, StageError
from orchestrator.hypervisors.here.root import write_root
from orchestrator.hypervisors.here.tasks import Proc

#: A shell that starts: a process that ignores SIGTERM, one that stopped itself, and a daemon in a session of its own.
STUBBORN = (
    "trap '' TERM; sh -c 'trap \"\" TERM; while :; do sleep 9; done' & "
    "sh -c 'kill -STOP $$' & setsid sh -c 'sleep 99 & sleep 98' & echo ready; while :; do sleep 9; done"
)


def descendants(guest: GuestUnderTest) -> list[int]:
    return alive(Proc().descendants([guest.process]))


# ------------------------------------------------------------------------------------------- without any process


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (shape(2, topology=Topology(cores=2)), "topology"),
        (shape(quota="50 %"), "quota"),
        (shape(pin=(4000,)), "CPU 4000; this process may use"),
        (shape(memory="1024 TiB"), "1024 TiB; this machine has"),
    ],
)
def test_a_shape_that_cannot_be_given_is_refused_and_changes_nothing(guest, wanted, says):
    before = guest.hypervisor.save()
    with pytest.raises(HostFault, match=says):
        guest.reshape(wanted)
    assert guest.hypervisor.save() == before


def test_describing_says_what_such_a_guest_is(guest):
    described = guest.hypervisor.describe()
    assert described.kind == "process guest, not a VM"
    assert not described.running
    assert any("limit on each process" in remark for remark in described.remarks)


def test_a_definition_comes_back_byte_for_byte(guest):
    guest.reshape(shape(3, "300 MiB", pin=(0,)))
    saved = guest.hypervisor.save()
    guest.reshape(shape(1))
    guest.hypervisor.restore(saved)
    assert guest.hypervisor.save() == saved
    assert guest.hypervisor.describe().vcpus == 3


@pytest.mark.parametrize("content", [b"", b"{}", b'{"schema_version": 2, "vcpus": 1}', b"[]", b"\xff"])
def test_a_damaged_definition_is_told(guest, content):
    saved = SavedGuest({"guest.json": content}, running=False)
    with pytest.raises(RestoreError, match="the saved definition of guest bookings-1 cannot be read"):
        guest.hypervisor.restore(saved)
    assert guest.hypervisor.by_hand(saved, "before") == (), "it ends with the run, so nothing is left to mend"


def test_nothing_is_asked_of_a_guest_that_is_off(guest):
    with pytest.raises(GuestFault, match="is off"):
        guest.hypervisor.counters()
    with pytest.raises(GuestFault, match="no address yet"):
        guest.hypervisor.guest_access()
    guest.hypervisor.stop(1)


@pytest.mark.parametrize(("vcpus", "online"), [(1, "0"), (2, "0-1"), (64, "0-63")])
def test_the_root_has_the_kernel_s_formats(tmp_path, vcpus, online):
    """CPU lists: cputopology.rst ("0-31,64-95" style); MemTotal in kB of 1024 bytes: filesystems/proc.rst."""
    first = write_root(tmp_path, vcpus=vcpus, memory=3 * 2**29)
    assert (tmp_path / "sys/devices/system/cpu/online").read_text() == f"{online}\n"
    assert (tmp_path / "proc/meminfo").read_text().split() == ["MemTotal:", str(3 * 2**19), "kB"]
    assert (tmp_path / "proc/sys/kernel/random/boot_id").read_text() == f"{first}\n"
    assert write_root(tmp_path, vcpus=vcpus, memory=2**29) != first


# ------------------------------------------------------------------------------------------------ with processes


@pytest.mark.real
def test_the_shape_holds_inside(guest):
    guest.start(shape(1, "128 MiB", pin=(min(os.sched_getaffinity(0)),)))
    shell = guest.login()
    inside = shell.run(["python3", "-c", "import os; print(os.sched_getaffinity(0), os.environ['OMP_NUM_THREADS'])"])
    assert inside.output.split() == [f"{{{min(os.sched_getaffinity(0))}}}", "1"]
    hungry = shell.run(["python3", "-c", "bytearray(300 << 20)"])
    assert hungry.status != 0
    assert "MemoryError" in hungry.output + hungry.errors
    assert guest.login("host").run(["python3", "-c", "bytearray(300 << 20)"]).status == 0


@pytest.mark.real
def test_the_home_is_kept_and_the_key_is_private(guest):
    guest.start(shape())
    guest.login().run(["sh", "-c", "echo kept > file"])
    guest.start(shape())
    assert guest.login().run(["cat", "file"]).output == "kept\n"
    assert (guest.folder / "identity").stat().st_mode & 0o777 == 0o600
    assert guest.folder.stat().st_mode & 0o777 == 0o700


@pytest.mark.real
def test_a_guest_that_is_off_lets_nobody_in_but_its_host_does(guest):
    guest.start(shape())
    access = guest.hypervisor.guest_access()
    assert access.address == "127.0.0.1"
    guest.hypervisor.stop(5)
    with pytest.raises(StageError):
        guest.login()
    assert guest.login("host").run(["echo", "here"]).output == "here\n"


@pytest.mark.real
def test_counters_begin_anew_with_each_boot(guest):
    guest.start(shape(2))
    guest.launch("while True: pass")
    assert eventually(lambda: sum(guest.hypervisor.counters().values.values()) > 50_000_000)
    guest.start(shape(1))
    values = guest.hypervisor.counters().values
    assert values["vcpu.0.run_ns"] == 0
    assert "vcpu.1.run_ns" not in values


@pytest.mark.real
def test_stopping_leaves_no_process(guest):
    guest.hypervisor.host_access()
    idle = descendants(guest)
    guest.start(shape())
    process = guest.login().start(["sh", "-c", STUBBORN])
    line = process.wait_line(10)
    assert line is not None
    assert line.text == "ready"
    assert eventually(lambda: len(descendants(guest)) >= len(idle) + 5)
    guest.hypervisor.stop(1)
    assert eventually(lambda: descendants(guest) == idle)


@pytest.mark.real
def test_twenty_power_cycles_leave_no_process_and_no_file_open(guest):
    def files_open() -> dict[int, int]:
        return {pid: len(list(Path(f"/proc/{pid}/fd").iterdir())) for pid in descendants(guest)}

    def cycle(*, loaded: bool) -> None:
        guest.start(shape(2))
        if loaded:
            shell = guest.login()
            shell.start(["sh", "-c", "while :; do :; done & while :; do :; done & while :; do :; done"])
            assert eventually(lambda: sum(guest.hypervisor.counters().values.values()) > 20_000_000)
        guest.hypervisor.stop(5)

    cycle(loaded=True)
    assert eventually(lambda: len(descendants(guest)) == 2)
    before = files_open()
    for number in range(20):
        cycle(loaded=number % 5 == 0)
    guest.close_logins()
    assert eventually(lambda: files_open().keys() == before.keys())
    assert eventually(lambda: all(files_open()[pid] <= before[pid] for pid in before)), (before, files_open())


@pytest.mark.real
def test_closing_removes_everything_and_can_be_repeated(guest):
    guest.start(shape())
    guest.login().start(["sh", "-c", STUBBORN])
    folder, pids = guest.folder, [guest.process, *descendants(guest)]
    guest.hypervisor.close()
    guest.hypervisor.close()
    assert eventually(lambda: not alive(pids))
    assert not folder.exists()


OWNER = textwrap.dedent("""
    import sys
    sys.path[:0] = sys.argv[1:]
    from here_guest import GuestUnderTest, shape
    guest = GuestUnderTest()
    guest.start(shape(1))
    process = guest.login().start(["sh", "-c", "while :; do :; done & while :; do :; done & echo ready; wait"])
    process.wait_line(10)
    guest.clock.sleep(0.3)
    print(guest.process, guest.folder, guest.hypervisor.guest_access().port, flush=True)
    guest.clock.sleep(60)
""")


@pytest.fixture
def owner():
    """A tool of its own with a guest under load, some tasks held; yields it and the guest's pid, folder and port."""
    process = subprocess.Popen(
        [sys.executable, "-c", OWNER, str(Path(__file__).parent), *sys.path], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    pid, folder, port = process.stdout.readline().split()
    yield process, int(pid), Path(folder), int(port)
    process.kill()
    process.wait()
    process.stdout.close()


def gone(pids: list[int], folder: Path, port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return False
    return not alive(pids) and not folder.exists()


@pytest.mark.real
@pytest.mark.parametrize("victim", ["tool", "guest", "login"])
def test_nothing_is_left_when_something_is_killed(owner, victim):
    process, pid, folder, port = owner
    below = alive(Proc().descendants([pid]))
    login = below[1]
    assert len(below) >= 5
    os.kill({"tool": process.pid, "guest": pid, "login": login}[victim], signal.SIGKILL)
    assert eventually(lambda: gone(below, folder, port))


@pytest.mark.real
def test_an_interrupt_from_the_terminal_does_not_reach_the_guest(owner):
    process, pid, _, _ = owner
    assert os.getsid(pid) != os.getsid(process.pid)
    os.kill(pid, signal.SIGINT)
    assert not eventually(lambda: not alive([pid]), within_s=0.3)


@pytest.mark.real
def test_a_guest_whose_process_died_is_told_clearly(guest):
    guest.start(shape())
    os.kill(guest.process, signal.SIGKILL)
    with pytest.raises(HostFault, match="the guest's process"):
        guest.hypervisor.counters()


@pytest.mark.real
def test_a_guest_whose_process_died_is_off_and_begins_anew(guest):
    guest.start(shape())
    os.kill(guest.process, signal.SIGKILL)
    assert eventually(lambda: not guest.hypervisor.describe().running)
    guest.hypervisor.stop(5)
    guest.start(shape(2))
    assert guest.login().run(["echo", "hello"]).output == "hello\n"
    assert "vcpu.1.run_ns" in guest.hypervisor.counters().values


@pytest.mark.real
def test_an_answer_that_comes_too_late_is_not_taken_for_that_to_a_later_request(guest, monkeypatch):
    guest.start(shape())
    monkeypatch.setattr("orchestrator.hypervisors.here.hypervisor._REQUEST_S", 0.2)
    os.kill(guest.process, signal.SIGSTOP)
    with pytest.raises(HostFault, match=r"did not answer 'counters' within 0\.2 s"):
        guest.hypervisor.counters()
    os.kill(guest.process, signal.SIGCONT)
    monkeypatch.undo()
    guest.hypervisor.stop(5)
    guest.start(shape(2))
    assert "vcpu.1.run_ns" in guest.hypervisor.counters().values


def test_a_machine_without_room_for_the_guest_s_folder_is_told(monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", "/nowhere")
    with pytest.raises(HostFault, match=r"no folder can be made.*TMPDIR"):
        GuestUnderTest().start(shape())


def test_a_machine_that_starts_no_more_processes_is_told_and_keeps_nothing(monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(sys, "executable", "/nowhere/python3")
    with pytest.raises(HostFault, match=r"the guest's process cannot be started \(.*No such file"):
        GuestUnderTest().start(shape())
    assert list(tmp_path.iterdir()) == []
