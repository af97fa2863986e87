"""KVM is believed only once a guest has booted with it; QEMU here is a script that does what the test needs."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.acceleration import usable_kvm
from orchestrator.sandbox.boot import Booted, Machine, kernel_arguments
from orchestrator.sandbox.images import Image
from orchestrator.sandbox.recipes import READY

pytestmark = pytest.mark.real

#: Finds the console's file among its arguments, and notes all of them beside itself.
_START = """#!/bin/sh
echo "$@" >"$0.arguments"
for word; do case $word in file:*) console=${word#file:} ;; esac; done
"""


@pytest.fixture
def image(tmp_path: Path) -> Image:
    return Image(tmp_path / "vmlinuz", tmp_path / "initrd", "0", "small", 64 * 2**20)


@pytest.fixture
def device(tmp_path: Path) -> Path:
    (tmp_path / "kvm").touch()
    return tmp_path / "kvm"


@pytest.fixture
def qemu(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "bin"
    place.mkdir()
    monkeypatch.setenv("PATH", f"{place}:{os.environ['PATH']}")
    return place / "qemu-system-x86_64"


def write(qemu: Path, what: str) -> None:
    qemu.write_text(_START + what)
    qemu.chmod(0o755)


def test_without_the_device_nothing_is_started(image: Image, tmp_path: Path) -> None:
    answer = usable_kvm(image, SystemClock(), device=tmp_path / "none")
    assert answer == (False, f"there is no {tmp_path}/none here")


def test_a_guest_that_boots_is_believed(image: Image, device: Path, qemu: Path) -> None:
    write(qemu, f'echo {READY} >"$console"; exec sleep 60\n')
    assert usable_kvm(image, SystemClock(), device=device) == (True, f"a probe guest booted with {device}")
    arguments = qemu.with_name(f"{qemu.name}.arguments").read_text()
    assert "-accel kvm -cpu host" in arguments
    assert f"-kernel {image.kernel} -initrd {image.initrd}" in arguments
    assert "-netdev" not in arguments


def test_a_device_that_fails_is_told_with_qemus_own_words(image: Image, device: Path, qemu: Path) -> None:
    write(qemu, "echo 'failed to initialize kvm: Permission denied' >&2; exit 1\n")
    usable, reason = usable_kvm(image, SystemClock(), device=device)
    assert not usable
    assert reason == (
        f"a probe guest does not boot with {device}: QEMU ended with exit status 1: "
        "failed to initialize kvm: Permission denied"
    )


def test_a_guest_that_starts_but_does_not_boot_is_not_believed(image: Image, device: Path, qemu: Path) -> None:
    write(qemu, 'printf "early\\nKernel panic - not syncing\\n" >"$console"; exec sleep 60\n')
    usable, reason = usable_kvm(image, SystemClock(), device=device, limit_s=0.3)
    assert not usable
    assert reason.endswith("it had not booted after 0.3 s; its console said last: Kernel panic - not syncing")


def test_a_device_that_may_not_be_opened_is_told_as_such(
    image: Image, device: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_: False)  # root, who may run this, may open every device
    assert usable_kvm(image, SystemClock(), device=device)[1].startswith(f"this user may not open {device}")


def test_qemu_is_gone_afterwards(image: Image, tmp_path: Path, qemu: Path) -> None:
    write(qemu, f'echo {READY} >"$console"; exec sleep 60\n')
    with Booted(Machine(image.kernel, image.initrd, tmp_path / "console", image.memory), SystemClock()) as guest:
        assert guest.wait_ready(10) is None
        assert guest.process.poll() is None
    assert guest.process.returncode == -9


def test_an_older_console_is_not_taken_for_this_one(image: Image, tmp_path: Path, qemu: Path) -> None:
    (tmp_path / "console").write_text(f"{READY}\n")
    write(qemu, "exec sleep 60\n")
    with Booted(Machine(image.kernel, image.initrd, tmp_path / "console", image.memory), SystemClock()) as guest:
        assert guest.wait_ready(0.2) is not None


def test_a_missing_qemu_is_told(image: Image, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SandboxError, match="setpriv cannot be started: No such file"):
        Booted(Machine(image.kernel, image.initrd, tmp_path / "console", image.memory), SystemClock())


def test_the_command_line_has_shape_port_and_name() -> None:
    """Options of qemu(1): -smp cpus and maxcpus, -netdev user with hostfwd and restrict."""
    machine = Machine(Path("k"), Path("i"), Path("c"), 192 * 2**20, 40123, 2, max_vcpus=4, name="bookings-1")
    command = machine.command()
    assert command[command.index("-smp") + 1] == "cpus=2,maxcpus=4"
    assert command[command.index("-m") + 1] == "size=192M"
    assert "user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:40123-:22" in command
    assert command[command.index("-append") + 1] == kernel_arguments("bookings-1")
    assert "trialbed.name=bookings-1" in kernel_arguments("bookings-1").split()
