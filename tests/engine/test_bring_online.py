"""vCPUs plugged into a running guest are brought online, or the trial is told why they were not."""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.engine.bring_online import ONLINE_SCRIPT, bring_online
from orchestrator.engine.inside import INSIDE_SCRIPT
from orchestrator.engine.ports import Completed
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault

LIVE = [
    {"name": "one", "vcpus": 1, "memory": "1 GiB", "reshape": "live"},
    {"name": "two", "vcpus": 2, "memory": "1 GiB", "reshape": "live"},
]


def cpus(root: Path, states: Sequence[str | None]) -> Path:
    """A tree of ``/sys`` with a CPU for each state; CPU 0 of most machines has no ``online`` file."""
    folder = root / "sys/devices/system/cpu"
    for number, state in enumerate(states):
        (folder / f"cpu{number}").mkdir(parents=True)
        if state is not None:
            (folder / f"cpu{number}/online").write_text(f"{state}\n")
    (folder / "online").write_text("0\n")
    return folder


def run(root: Path, interpreter: Sequence[str] = ("sh",)) -> str:
    done = subprocess.run(
        [*interpreter, "-c", ONLINE_SCRIPT, "sh", str(root)], capture_output=True, text=True, check=True
    )
    assert not done.stderr
    return done.stdout


@pytest.mark.real
@pytest.mark.parametrize("interpreter", [("sh",), ("busybox", "sh"), ("bash",)], ids=" ".join)
def test_the_script_writes_1_where_0_stands_and_nowhere_else(tmp_path: Path, interpreter: Sequence[str]) -> None:
    interpreter = interpreter if shutil.which(interpreter[0]) else ("sh",)
    folder = cpus(tmp_path, [None, "1", "0", "0"])
    before = (folder / "cpu1/online").stat().st_mtime_ns
    assert run(tmp_path, interpreter) == "online=0\n"
    assert [(folder / f"cpu{n}/online").read_text() for n in (1, 2, 3)] == ["1\n"] * 3
    assert (folder / "cpu1/online").stat().st_mtime_ns == before


@pytest.mark.real
def test_the_script_says_what_the_guest_refused(tmp_path: Path) -> None:
    """A file of the kernel's own that holds 0 and that nobody may write, not even root: the package of CPU 0."""
    folder = cpus(tmp_path, [None, "0"])
    (folder / "cpu1/online").unlink()
    (folder / "cpu1/online").symlink_to("/sys/devices/system/cpu/cpu0/topology/physical_package_id")
    refused, online = run(tmp_path).splitlines()
    assert refused.startswith("refused=cpu1: ")
    assert "ermission denied" in refused or "ead-only file system" in refused
    assert online == "online=0"


@pytest.mark.real
def test_cpus_that_appear_late_are_waited_for(tmp_path: Path) -> None:
    folder = cpus(tmp_path, [None])

    def appear() -> None:
        cpus(tmp_path / "later", [None, "0"])
        (tmp_path / "later/sys/devices/system/cpu/cpu1").rename(folder / "cpu1")
        (folder / "online").write_text("0-1\n")  # the kernel's own doing

    timer = threading.Timer(0.3, appear)
    timer.start()
    bring_online(LocalShell(SystemClock(), tmp_path), str(tmp_path), 2, SystemClock())
    timer.join()
    assert (folder / "cpu1/online").read_text() == "1\n"


class Guest:
    """A login whose every command is answered with one text."""

    def __init__(self, output: str, errors: str = "") -> None:
        self.done = Completed(0, output, errors)

    def run(self, *_argv: object, **_how: object) -> Completed:
        return self.done


@pytest.mark.parametrize(
    ("output", "says"),
    [
        ("online=0\n", "1 of 3 vCPUs came online within 10 s .* has no hot-plug of CPUs .* reshape: cold"),
        (
            "refused=cpu1: Permission denied\nrefused=cpu2: Permission denied\nonline=0\n",
            r"the guest refused \(cpu1: Permission denied\); log in as root",
        ),
        ("", "does not tell how many CPUs are online"),
        ("online=lots\n", "does not tell how many CPUs are online"),
    ],
)
def test_a_guest_that_cannot_is_told_with_what_to_do(output: str, says: str) -> None:
    clock = VirtualClock()
    with pytest.raises(GuestFault, match=says):
        bring_online(Guest(output), "", 3, clock)  # type: ignore[arg-type]
    assert clock.monotonic() < 11


# ---------------------------------------------------------------------------------------------------- in a whole run


def test_a_live_shape_is_plugged_after_the_login_and_measured_as_any_other() -> None:
    experiment = Experiment(plan(design={"blocks": 1}, shapes=LIVE), lab())
    before = experiment.hypervisor.save()
    records = experiment.go()
    assert {record.outcome for record in records} == {"measured"}
    assert [stage.stage for stage in records[0].stages][:5] == ["reshape", "start", "log in", "plug", "verify"]
    assert {record.shape: record.seen_inside["online"] for record in records} == {"one": "0", "two": "0-1"}
    assert experiment.hypervisor.save() == before


def test_a_live_shape_boots_with_one_vcpu() -> None:
    experiment = Experiment(plan(shapes=LIVE), lab(defined={"running": False}))
    hypervisor = experiment.hypervisor
    hypervisor.reshape(experiment.plan.shapes[1], hypervisor.save())
    hypervisor.start()
    experiment.clock.sleep(60)
    assert experiment.equipment.connector is not None
    shell = experiment.equipment.connector.connect(hypervisor.guest_access(), machine="guest", timeout_s=5)
    assert "online=0\n" in shell.run(["sh", "-c", INSIDE_SCRIPT, "sh", ""]).output
    assert shell.run(["sh", "-c", ONLINE_SCRIPT, "sh", ""]).output == "online=0\n"
    hypervisor.plug()
    assert "online=0\n" in shell.run(["sh", "-c", INSIDE_SCRIPT, "sh", ""]).output, "plugged is not yet online"
    bring_online(shell, "", 2, experiment.clock)
    assert "online=0-1\n" in shell.run(["sh", "-c", INSIDE_SCRIPT, "sh", ""]).output


def test_a_vcpu_that_does_not_come_online_fails_its_trial_only() -> None:
    faults = [{"kind": "fewer-cpus", "trial": 1}]
    records = Experiment(plan(design={"blocks": 1, "seed": 7}, shapes=LIVE), lab(faults=faults)).go()
    assert (records[0].outcome, records[0].failed_stage, records[0].fault) == ("failed", "plug", "guest")
    assert "1 of 2 vCPUs came online within 10 s" in records[0].reason
    assert [record.outcome for record in records[1:]] == ["measured"] * 3
