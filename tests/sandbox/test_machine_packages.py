"""What a machine lacks for the sandbox is found by looking for it, and named all at once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from orchestrator.errors import SandboxError
from orchestrator.sandbox.requirements import BUILDING, RUNNING, missing, program, require_packages

DEBIAN = ("apt-get", "apt-cache", "dpkg", "dpkg-deb")
ALL = (*BUILDING, *RUNNING)


class Machine:
    """A file system with programs in it, and dpkg's word on its architecture."""

    def __init__(self, root: Path, architecture: str = "amd64") -> None:
        self.root, self.architecture = root, architecture
        self.bin = root / "bin"
        self.bin.mkdir(parents=True)

    def add(self, *names: str) -> None:
        for name in names:
            (self.bin / name).write_text("#!/bin/sh\n")
            (self.bin / name).chmod(0o755)

    def add_files(self, *paths: str) -> None:
        for path in paths:
            (self.root / path).parent.mkdir(parents=True, exist_ok=True)
            (self.root / path).touch()

    def run(self, argv: Sequence[str], *, folder: Path | None = None) -> bytes:
        assert (list(argv), folder) == (["dpkg", "--print-architecture"], None)
        return f"{self.architecture}\n".encode()

    def require(self) -> None:
        require_packages(ALL, self.run, str(self.bin), self.root)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    machine = Machine(tmp_path)
    machine.add(*DEBIAN, "gcc", "ssh-keygen", "qemu-system-x86_64", "libvirtd", "sshd")
    machine.add_files(
        "usr/lib/x86_64-linux-gnu/libc.a",
        "usr/lib/x86_64-linux-gnu/libvirt/connection-driver/libvirt_driver_qemu.so",
    )
    return machine


def test_a_machine_that_has_everything_is_fit(machine: Machine) -> None:
    machine.require()


def test_everything_missing_is_named_at_once_with_one_command(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.add(*DEBIAN)
    with pytest.raises(SandboxError) as refused:
        machine.require()
    *_, command = str(refused.value).splitlines()
    assert command == (
        "install with: sudo apt-get install --no-install-recommends gcc libc6-dev openssh-client qemu-system-x86 "
        "libvirt-daemon libvirt-daemon-driver-qemu openssh-server"
    )
    assert "qemu-system-x86             runs guests" in str(refused.value)


@pytest.mark.parametrize(
    ("lost", "package"),
    [
        ("bin/gcc", "gcc"),
        ("usr/lib/x86_64-linux-gnu/libc.a", "libc6-dev"),
        ("usr/lib/x86_64-linux-gnu/libvirt/connection-driver/libvirt_driver_qemu.so", "libvirt-daemon-driver-qemu"),
    ],
)
def test_what_is_missing_is_found_by_looking_for_it(machine: Machine, lost: str, package: str) -> None:
    (machine.root / lost).unlink()
    assert [item.package for item in missing(ALL, str(machine.bin), machine.root)] == [package]


def test_another_system_is_told_what_the_sandbox_takes(tmp_path: Path) -> None:
    with pytest.raises(SandboxError, match=r"Debian packages and needs apt-get.*lab with guests of your own"):
        Machine(tmp_path).require()


def test_another_architecture_is_refused_by_name(tmp_path: Path) -> None:
    machine = Machine(tmp_path, "arm64")
    machine.add(*DEBIAN)
    with pytest.raises(SandboxError, match=r"for amd64 \(64-bit x86\) only, and this system is arm64"):
        machine.require()


def test_programs_for_the_administrator_are_found_where_PATH_leaves_them_out(  # noqa: N802 - the variable's name
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert program("chroot") == "/usr/sbin/chroot"  # of coreutils, on every Debian system
    assert program("no-such-program") is None
