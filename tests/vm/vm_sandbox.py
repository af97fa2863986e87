"""A sandbox for tests, and two ways around the product: libvirt itself, for sabotage, and the command as a process."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.plan_file import DriverFacts, load_texts
from orchestrator.adapters.ssh import SshConnector
from orchestrator.cli import invoke
from orchestrator.core.design.lab import Lab
from orchestrator.engine.ports import Hypervisor, Shell
from orchestrator.errors import StageError
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver
from orchestrator.sandbox.down import down
from orchestrator.sandbox.layout import default_cache
from orchestrator.sandbox.settings import Settings
from orchestrator.sandbox.up import up

ROOT = Path(__file__).parents[2]
GUESTS = BOOKINGS, TIMETABLE = ("bookings-1", "timetable-1")
BOOTS_WITHIN_S = 90.0
ENDS_WITHIN_S = 600.0


@dataclass(frozen=True)
class Sandbox:
    """Two guests, off at first.

    Attributes:
        folder: where it lives.
        uri: of its libvirt daemon.
        lab_text: the lab as it was written.
        opened: a libvirt connection of the tests' own.
    """

    folder: Path
    uri: str
    lab_text: str
    opened: Any

    # -------------------------------------------------------------------------------------------- through the product

    def lab(self, text: str | None = None) -> Lab:
        """The lab as a value; of another text where one is given."""
        driver = LibvirtDriver()
        facts = {"libvirt": DriverFacts(driver.settings, driver.features, driver.needs, driver.host_login)}
        return load_texts(PLAN, (text or self.lab_text).encode(), facts, names=("plan.yaml", "lab.yaml")).lab

    def driver(self, guest: str, lab: Lab | None = None) -> Hypervisor:
        """The driver, bound to a guest."""
        clock = SystemClock()
        return LibvirtDriver().open(guest, lab or self.lab(), clock, SshConnector(clock)).hypervisor

    def log_in(self, guest: str) -> Shell:
        """Log in to a guest that boots or has booted."""
        clock = SystemClock()
        access = self.lab().guests[guest].ssh
        assert access is not None
        until_s = clock.monotonic() + BOOTS_WITHIN_S
        while True:
            try:
                return SshConnector(clock).connect(access, machine="guest", timeout_s=20)
            except StageError as error:
                if not error.may_pass or clock.monotonic() > until_s:
                    raise
                clock.sleep(0.1)

    # -------------------------------------------------------------------------------------------------- around it

    def domain(self, guest: str) -> Any:
        """A guest as libvirt's own object."""
        return self.opened.lookupByName(guest)

    def is_on(self, guest: str) -> bool:
        """Whether it is anything but off."""
        return bool(self.domain(guest).isActive())

    def definition(self, guest: str) -> str:
        """Its persistent definition with everything in it."""
        import libvirt

        return str(self.domain(guest).XMLDesc(libvirt.VIR_DOMAIN_XML_INACTIVE | libvirt.VIR_DOMAIN_XML_SECURE))

    def define(self, xml: str) -> None:
        """Exchange a definition."""
        self.opened.defineXML(xml)

    def with_kernel_arguments(self, guest: str, arguments: str) -> None:
        """Define a guest whose kernel is told something more."""
        self.define(self.definition(guest).replace("</cmdline>", f" {arguments}</cmdline>"))

    def switch_off(self, guest: str) -> None:
        """Hard, from outside; harmless where it is off."""
        import libvirt

        with suppress(libvirt.libvirtError):
            self.domain(guest).destroy()

    def tell_qemu(self, guest: str, command: str, **arguments: object) -> None:
        """Give a guest's QEMU a command of its monitor (QMP)."""
        import libvirt_qemu

        told = json.dumps({"execute": command, "arguments": arguments})
        answer = json.loads(libvirt_qemu.qemuMonitorCommand(self.domain(guest), told, 0))
        assert "error" not in answer, answer

    def qemu(self, guest: str) -> int:
        """The process of a guest that runs."""
        return int((self.folder / f"run/libvirt/qemu/run/{guest}.pid").read_text())

    def port(self, guest: str) -> int:
        """The port of the loopback address that leads to a guest."""
        found = re.search(r"hostfwd=tcp:127\.0\.0\.1:(\d+)-", self.definition(guest))
        assert found
        return int(found[1])

    def processes(self) -> set[int]:
        """Processes of this sandbox that run, by their command lines."""
        return _mentioning("cmdline", str(self.folder)) - {os.getpid()}

    def logins(self) -> set[int]:
        """Processes that logins on the host have started, through the sandbox's own SSH server."""
        access = self.lab().hosts["sandbox"].ssh
        assert access is not None
        return _mentioning("environ", f" 127.0.0.1 {access.port}\0")  # the end of SSH_CONNECTION (ssh(1))

    def files(self) -> set[str]:
        """Everything in its folder, by its path from there."""
        return {str(place.relative_to(self.folder)) for place in self.folder.rglob("*")}

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Afterwards both guests are off and defined as before, whatever a test has left."""
        before = {guest: self.definition(guest) for guest in GUESTS}
        try:
            yield
        finally:
            for guest, xml in before.items():
                self.switch_off(guest)
                if self.definition(guest) != xml:
                    self.define(xml)


def _mentioning(file: str, text: str) -> set[int]:
    """Processes with a text in their ``cmdline`` or ``environ``; those that have ended have neither."""
    found = set()
    for place in Path("/proc").iterdir():
        with suppress(OSError):
            if place.name.isdecimal() and text.encode() in (place / file).read_bytes():
                found.add(int(place.name))
    return found


PLAN = b"""
title: Does the bookings database use a second vCPU?
lab: lab.yaml
guest: bookings-1
shapes: [{name: one, vcpus: 1, memory: 192 MiB}]
workloads: [{name: bookings, use: bookings, threads: [1]}]
"""


@contextmanager
def a_sandbox(image: str) -> Iterator[Sandbox]:
    """A sandbox in a folder short enough for its sockets, and passable for the user that root's guests run as."""
    import libvirt

    # Errors come as exceptions; libvirt would print each besides. The driver asks for the same.
    libvirt.registerErrorHandler(lambda _context, _error: None, None)
    place = Path(tempfile.mkdtemp(prefix="vm-"))
    place.chmod(0o711)
    settings = Settings(place / "s", default_cache(), place / "s" / "lab.yaml", image)
    clock = SystemClock()
    try:
        status = up(settings, clock, print)
        assert status.state == "up", status.troubles
        assert status.uri is not None
        assert status.lab is not None
        opened = libvirt.open(status.uri)
        try:
            made = Sandbox(settings.folder.resolve(), status.uri, status.lab.read_text(), opened)
            yield made
        finally:
            opened.close()
    finally:
        down(settings, clock, print)
        shutil.rmtree(place)
    assert not made.processes(), "nothing of the sandbox runs any more"


# ------------------------------------------------------------------------------------------------ the command itself


def start(folder: Path, *arguments: str) -> subprocess.Popen[str]:
    """Run ``trialbed`` in a folder, as a user would."""
    environment = os.environ | {"PYTHONPATH": f"{ROOT}:{os.environ.get('PYTHONPATH', '')}"}
    return subprocess.Popen(
        [sys.executable, "-m", "orchestrator", *arguments],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(process: subprocess.Popen[str]) -> tuple[str, str]:
    """What it says from now to its end."""
    try:
        return process.communicate(timeout=ENDS_WITHIN_S)
    except BaseException:  # nobody would interrupt it any more, and it puts its guest back when it is
        process.terminate()
        process.communicate()
        raise


def read_until(process: subprocess.Popen[str], part: str) -> None:
    """Read its lines of progress up to one with the text."""
    assert process.stdout is not None
    for line in process.stdout:
        if part in line:
            return
    _, errors = finish(process)
    raise AssertionError(f"{part!r} never came; the command said: {errors}")


def shown(folder: Path, *words: str) -> dict[str, Any]:
    """What ``trialbed show ... --json`` prints, without a process of its own."""
    with redirect_stdout(io.StringIO()) as output:
        status = invoke(["show", *words, "--store", str(folder / "results"), "--json"])
    assert status == 0
    told: dict[str, Any] = json.loads(output.getvalue())
    return told
