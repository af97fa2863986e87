"""Booting an image with QEMU alone, without libvirt: for the probe of an accelerator, and for tests."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.recipes import READY
from orchestrator.sandbox.waiting import wait_until
from orchestrator.units import Bytes, Seconds

_QEMU = "qemu-system-x86_64"
#: The parent may have ended before the kernel was told to watch it.
_UNLESS_ORPHANED = '[ "$PPID" = "$1" ] || exit 1; shift; exec "$@"'
_END_WITHIN_S = 10.0


def kernel_arguments(guest_name: str) -> str:
    """The kernel's command line: console, the network card's plain name, and the guest's own.

    Without its check of the timer (kernel documentation, admin-guide/kernel-parameters): on a busy host an emulated
    guest gets its ticks late, takes the timer for broken, and goes on with a worse one or not at all.
    """
    return f"console=ttyS0 quiet no_timer_check net.ifnames=0 trialbed.name={guest_name}"


@dataclass(frozen=True)
class Machine:
    """A guest to boot.

    Attributes:
        kernel, initrd: the image's files.
        console: file that its serial console writes to.
        memory: that it is given.
        port: on 127.0.0.1, that leads to its SSH; ``None`` for a guest without network.
        vcpus, max_vcpus: it boots with, and it can be given while it runs.
        accelerator: ``tcg`` or ``kvm``.
        name: its host name.
        monitor: path of the Unix socket on which QEMU takes commands (QMP); ``None`` for none.
    """

    kernel: Path
    initrd: Path
    console: Path
    memory: Bytes
    port: int | None = None
    vcpus: int = 1
    max_vcpus: int | None = None
    accelerator: str = "tcg"
    name: str = "guest"
    monitor: Path | None = None

    def command(self) -> list[str]:
        """QEMU's argument list."""
        accelerator = "tcg,thread=multi" if self.accelerator == "tcg" else self.accelerator
        sizes = f"cpus={self.vcpus},maxcpus={self.max_vcpus or self.vcpus}"
        network = []
        if self.port is not None:
            forward = f"user,id=net,restrict=on,hostfwd=tcp:127.0.0.1:{self.port}-:22"
            network = ["-netdev", forward, "-device", "virtio-net-pci,netdev=net,romfile="]
        monitor = ["-qmp", f"unix:{self.monitor},server=on,wait=off"] if self.monitor is not None else []
        return [
            *(_QEMU, "-name", f"{self.name},debug-threads=on", "-machine", "q35", "-accel", accelerator),
            *(
                "-cpu",
                "max" if self.accelerator == "tcg" else "host",
                "-smp",
                sizes,
                "-m",
                f"size={self.memory // 2**20}M",
            ),
            *("-nodefaults", "-no-user-config", "-display", "none", "-no-reboot", "-serial", f"file:{self.console}"),
            *("-kernel", str(self.kernel), "-initrd", str(self.initrd), "-append", kernel_arguments(self.name)),
            *("-object", "rng-random,id=random,filename=/dev/urandom", "-device", "virtio-rng-pci,rng=random"),
            *("-device", "pvpanic", *network, *monitor),
        ]


class Booted:
    """A guest that runs; QEMU is killed by the kernel when this process's thread that started it ends.

    Use it as a context manager: at the end the guest is switched off hard if it still runs.
    """

    def __init__(self, machine: Machine, clock: Clock, user: tuple[int, int] | None = None) -> None:
        """Start QEMU.

        Args:
            machine: what it is to run.
            clock: for the waits.
            user: uid and gid that QEMU runs as; those of this process by default.

        Raises:
            SandboxError: a program is not there.
        """
        self.machine, self._clock = machine, clock
        machine.console.unlink(missing_ok=True)
        command = [*_bound_to_parent(user), *machine.command()]
        try:
            self.process = subprocess.Popen(  # noqa: S603 - the list above
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
        except OSError as error:
            raise SandboxError(f"{command[0]} cannot be started: {error.strerror or error}") from error

    def __enter__(self) -> Booted:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(_END_WITHIN_S)
        if self.process.stderr is not None:
            self.process.stderr.close()

    def said(self) -> str:
        """What has appeared on the guest's console."""
        try:
            return self.machine.console.read_text("utf-8", "replace")
        except FileNotFoundError:
            return ""

    def wait_ready(self, timeout_s: Seconds) -> str | None:
        """Wait until the guest says on its console that it has booted.

        Returns:
            ``None`` when it has; else what happened instead, in words.
        """
        wait_until(lambda: READY in self.said() or self.process.poll() is not None, self._clock, timeout_s)
        if READY in self.said():
            return None
        if self.process.poll() is not None:
            return f"QEMU ended with exit status {self.process.returncode}: {self._last_words()}"
        last = (self.said().strip().splitlines() or ["nothing"])[-1]
        return f"it had not booted after {timeout_s:g} s; its console said last: {printable(last[:200])}"

    def _last_words(self) -> str:
        said = b"" if self.process.stderr is None else self.process.stderr.read()
        return printable((said.decode("utf-8", "replace").strip().splitlines() or ["it said nothing"])[-1][:300])


def _bound_to_parent(user: tuple[int, int] | None) -> Sequence[str]:
    """Words before a command that have the kernel end it with its parent, and run it as another user."""
    identity = [] if user is None else ["--reuid", str(user[0]), "--regid", str(user[1]), "--clear-groups"]
    return ["setpriv", *identity, "--pdeathsig", "KILL", "--", "sh", "-c", _UNLESS_ORPHANED, "sh", str(os.getpid())]
