"""The worked example on real guests: QEMU through its own monitor, behind the lab that the documentation shows."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
import yaml

import orchestrator.hypervisors.command as package
from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Hypervisor, Shell
from orchestrator.errors import GuestFault, StageError
from orchestrator.hypervisors.command.driver import CommandDriver
from orchestrator.sandbox import boot, commands, images, keys
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor

pytestmark = pytest.mark.vm

EXAMPLE = Path(package.__file__).parent / "example"
BOOT_WITHIN_S = 90.0


@dataclass(frozen=True)
class Quay:
    """A folder with the example's files, ready to run."""

    folder: Path
    lab: Lab
    clock: SystemClock

    def open(self) -> Hypervisor:
        return CommandDriver().open("bookings-1", self.lab, self.clock, SshConnector(self.clock)).hypervisor

    def by_hand(self, *words: str) -> str:
        """Run the program as a person would."""
        command = [sys.executable, "qemu_guest.py", *words]
        return subprocess.run(command, cwd=self.folder, check=True, capture_output=True, text=True, timeout=30).stdout

    def process(self) -> int:
        return int((self.folder / "bookings-1.process").read_text().split()[0])

    def log_in(self, hypervisor: Hypervisor) -> Shell:
        until_s = self.clock.monotonic() + BOOT_WITHIN_S
        while True:
            try:
                return SshConnector(self.clock).connect(hypervisor.guest_access(), machine="guest", timeout_s=15)
            except StageError as error:
                if not error.may_pass or self.clock.monotonic() > until_s:
                    raise
                self.clock.sleep(0.2)


@pytest.fixture
def quay(tmp_path: Path) -> Iterator[Quay]:
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "trialbed"
    image = images.build("small", cache, print)
    login = keys.make_key(tmp_path / "identity", "bench", commands.run)
    host = keys.make_key(tmp_path / "host", "bookings-1", commands.run)
    images.personal(image, "bookings-1", tmp_path / "host", login, tmp_path / "bookings-1.initrd")
    shutil.copy(image.kernel, tmp_path / "vmlinuz")
    shutil.copy(EXAMPLE / "qemu_guest.py", tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as reserved:
        port = reserved.getsockname()[1]
    definition = json.loads((EXAMPLE / "bookings-1.json").read_text())
    definition |= {"ssh-port": port, "append": boot.kernel_arguments("bookings-1")}
    (tmp_path / "bookings-1.json").write_text(json.dumps(definition, indent=2) + "\n")
    lab = yaml.safe_load((EXAMPLE / "lab.yaml").read_text())
    lab["hosts"]["quay"]["with"]["folder"] = str(tmp_path)
    lab["guests"]["bookings-1"]["ssh"] |= {"port": port, "identity": str(tmp_path / "identity"), "host-key": host}
    quay = Quay(tmp_path, Lab.model_validate(lab), SystemClock())
    try:
        yield quay
    finally:
        quay.by_hand("force-off", "bookings-1")


def shape(vcpus: int, memory: str, **more: object) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory, **more})


def test_the_example_keeps_the_promises_of_a_driver(quay: Quay) -> None:
    shapes = (shape(1, "192 MiB"), shape(2, "256 MiB", topology={"sockets": 2}, pin=[0]))
    subject = Subject(quay.open(), SshConnector(quay.clock), quay.clock, shapes, boot_within_s=BOOT_WITHIN_S)
    check_hypervisor(replace(subject, observe_s=1.0))


@pytest.mark.quiet
def test_a_busy_vcpu_runs_an_idle_one_idles_and_two_on_one_cpu_wait(quay: Quay) -> None:
    """By schedstat (kernel documentation): run and wait of a saturated thread add up to the time that passes."""
    hypervisor = quay.open()
    saved = hypervisor.save()
    hypervisor.reshape(shape(2, "192 MiB", pin=[0]), saved)
    hypervisor.start()
    shell = quay.log_in(hypervisor)

    def shares(seconds: float) -> dict[str, float]:
        before = hypervisor.counters()
        quay.clock.sleep(seconds)
        after = hypervisor.counters()
        wall_ns = after.source_ns - before.source_ns
        return {key: (after.values[key] - before.values[key]) / wall_ns for key in after.values}

    try:
        idle = shares(3.0)
        load = shell.start(["work", "2"])
        assert load.wait_line(20) is not None
        busy = shares(5.0)
        load.stop(10)
    finally:
        shell.close()
        hypervisor.restore(saved)
        hypervisor.close()
    assert all(idle[f"vcpu.{vcpu}.run_ns"] < 0.2 for vcpu in (0, 1)), idle
    runs, waits = ([busy[f"vcpu.{vcpu}.{kind}_ns"] for vcpu in (0, 1)] for kind in ("run", "wait"))
    for run, wait in zip(runs, waits, strict=True):
        assert 0.9 < run + wait < 1.05, busy
        assert 0.3 < wait < 0.9, busy
    assert 0.3 < sum(runs) < 1.05, busy  # both are pinned to one CPU, which others may want as well


def test_vcpus_are_plugged_into_a_guest_that_runs(quay: Quay) -> None:
    hypervisor = quay.open()
    saved = hypervisor.save()
    hypervisor.reshape(shape(2, "192 MiB", reshape="live"), saved)
    hypervisor.start()
    shell = quay.log_in(hypervisor)
    try:
        assert hypervisor.describe().vcpus == 1
        hypervisor.plug()
        assert hypervisor.describe().vcpus == 2
        brought = "for cpu in /sys/devices/system/cpu/cpu[1-9]*/online; do echo 1 > $cpu; done; nproc"
        assert shell.run(["sh", "-c", brought]).output.split() == ["2"]
        assert {key.split(".")[1] for key in hypervisor.counters().values} == {"0", "1"}
    finally:
        shell.close()
        hypervisor.restore(saved)
        hypervisor.close()
    assert hypervisor.save() == saved


def test_what_happens_to_a_guest_behind_the_runs_back_is_named(quay: Quay) -> None:
    hypervisor = quay.open()
    saved = hypervisor.save()
    hypervisor.start()
    assert hypervisor.trouble() is None
    with socket.socket(socket.AF_UNIX) as line:
        line.connect(str(quay.folder / "bookings-1.qmp"))
        line.sendall(b'{"execute": "qmp_capabilities"}{"execute": "stop"}')
        quay.clock.sleep(1.0)
    assert hypervisor.trouble() == "it is paused"
    with pytest.raises(GuestFault, match="bookings-1 is paused"):
        hypervisor.counters()
    os.kill(quay.process(), 9)
    quay.clock.sleep(1.0)
    assert "switched off" in (hypervisor.trouble() or "")
    with pytest.raises(GuestFault, match="bookings-1 is stopped"):
        hypervisor.counters()
    hypervisor.restore(saved)
    hypervisor.close()
