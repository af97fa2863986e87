#!/usr/bin/env python3
"""QEMU guests without a management layer: what trialbed's driver ``command`` needs, in one program of its own.

A guest is a file DOMAIN.json in the working directory. QEMU is driven through its monitor socket (QMP, the protocol of
QEMU's own manual); a vCPU's run and wait come from its thread's schedstat (Linux kernel documentation,
scheduler/sched-stats). Needs Linux, QEMU and Python 3.11; nothing else.

    qemu_guest.py describe DOMAIN       size and state, as one JSON object
    qemu_guest.py save DOMAIN           print the definition
    qemu_guest.py restore DOMAIN        take the definition from standard input
    qemu_guest.py reshape DOMAIN --vcpus 2 --memory-mib 512 [--topology 1x2x1] [--pin 0,1] [--live]
    qemu_guest.py start DOMAIN          switch on
    qemu_guest.py stop DOMAIN           press the power button
    qemu_guest.py force-off DOMAIN      pull the plug
    qemu_guest.py plug DOMAIN           give a guest that was reshaped with --live the rest of its vCPUs
    qemu_guest.py counters DOMAIN       clock, state, and run and wait of each vCPU in ns

Exit status 75 means that the same may work in a moment.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

TEMPORARY = 75  # EX_TEMPFAIL of sysexits.h
ANSWER_WITHIN_S = 5.0
GOES_OFF_WITHIN_S = 5.0


def temporary(message: str) -> SystemExit:
    """The end of this program where trying again can help."""
    print(message, file=sys.stderr)  # noqa: T201 - a program's complaint
    return SystemExit(TEMPORARY)


class Guest:
    """One guest: its definition, and QEMU where it runs."""

    def __init__(self, domain: str) -> None:
        self.domain = domain
        self.file, self.process, self.monitor = (Path(f"{domain}.{end}") for end in ("json", "process", "qmp"))

    # The definition ------------------------------------------------------------------------------------------------

    def definition(self) -> dict[str, Any]:
        """What the file says."""
        try:
            known = json.loads(self.file.read_bytes())
        except FileNotFoundError:
            raise SystemExit(f"there is no guest {self.domain}: no file {self.file.absolute()}") from None
        except ValueError as error:
            raise SystemExit(f"{self.file.absolute()} is no JSON: {error}") from None
        return dict(known)

    def define(self, content: bytes) -> None:
        """Replace the file; it is the old one or the new one at every moment."""
        json.loads(content)
        fresh = self.file.with_suffix(".new")
        fresh.write_bytes(content)
        fresh.replace(self.file)

    # The process ---------------------------------------------------------------------------------------------------

    def pid(self) -> int | None:
        """QEMU's process; ``None`` when the guest is off. Start times tell it from a later process of that number."""
        try:
            pid, started = self.process.read_text().split()
            stat = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
        except (OSError, ValueError):
            return None
        return int(pid) if stat[0] not in "ZX" and stat[19] == started else None

    def start(self) -> None:
        """Run QEMU in the background; it complains about what it cannot do before this returns."""
        if self.pid() is not None:
            raise SystemExit(f"guest {self.domain} runs already")
        self.monitor.unlink(missing_ok=True)
        pid_file = self.process.with_suffix(".pid")
        subprocess.run([*self._command(), "-daemonize", "-pidfile", str(pid_file)], check=True)  # noqa: S603
        pid = int(pid_file.read_text())
        stat = Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2].split()
        self.process.write_text(f"{pid} {stat[19]}\n")
        if pin := self.definition().get("pin"):
            for thread in self.threads():
                os.sched_setaffinity(thread, pin)

    def forget(self, within_s: float) -> None:
        """Once QEMU has ended, remove what tells where it runs; the console's log is left."""
        until_s = time.monotonic() + within_s
        while self.pid() is not None and time.monotonic() < until_s:
            time.sleep(0.1)
        if self.pid() is None:
            for file in (self.process, self.process.with_suffix(".pid"), self.monitor):
                file.unlink(missing_ok=True)

    def _command(self) -> list[str]:
        known = self.definition()
        vcpus = f"cpus={known['vcpus']}"
        if known.get("live"):
            vcpus = f"cpus=1,maxcpus={known['vcpus']}"
        if "topology" in known:
            vcpus += ",sockets={},cores={},threads={}".format(*known["topology"].split("x"))
        words = ["qemu-system-x86_64", "-name", self.domain, "-machine", "q35", "-accel", known["accelerator"]]
        words += ["-smp", vcpus, "-m", f"{known['memory-mib']}M", "-nodefaults", "-display", "none", "-no-reboot"]
        words += ["-kernel", known["kernel"], "-initrd", known["initrd"], "-append", known["append"]]
        words += ["-serial", f"file:{self.domain}.log", "-qmp", f"unix:{self.monitor},server=on,wait=off"]
        network = f"user,id=lan,restrict=on,hostfwd=tcp:127.0.0.1:{known['ssh-port']}-:22"
        return [*words, "-netdev", network, "-device", "virtio-net-pci,netdev=lan,romfile="]

    # The monitor ---------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def asking(self) -> Iterator[Callable[..., Any]]:
        """A conversation with the monitor: a function that sends a command and returns the answer."""
        with socket.socket(socket.AF_UNIX) as line, contextlib.ExitStack() as stack:
            line.settimeout(ANSWER_WITHIN_S)
            try:
                line.connect(str(self.monitor))
                stream = stack.enter_context(line.makefile("rw", encoding="utf-8"))

                def ask(command: str, **arguments: Any) -> Any:
                    json.dump({"execute": command, "arguments": arguments}, stream)
                    stream.flush()
                    while text := stream.readline():
                        answer = json.loads(text)
                        if "return" in answer:
                            return answer["return"]
                        if "error" in answer:
                            raise SystemExit(f"QEMU refuses {command}: {answer['error']['desc']}")
                    raise ConnectionResetError  # what is neither is an event; this is the end of the line

                stream.readline()  # the greeting
                ask("qmp_capabilities")
                yield ask
            except OSError as error:
                raise temporary(f"the monitor of guest {self.domain} does not answer ({error!r})") from None

    def state(self) -> str:
        """``stopped``, or what QEMU calls it: ``running``, ``paused``, ``guest-panicked``..."""
        if self.pid() is None:
            return "stopped"
        try:
            with self.asking() as ask:
                return str(ask("query-status")["status"])
        except SystemExit:
            if self.pid() is None:  # it has ended at this moment
                return "stopped"
            raise

    def threads(self) -> list[int]:
        """Thread ids of the vCPUs, by number."""
        with self.asking() as ask:
            vcpus = sorted(ask("query-cpus-fast"), key=lambda vcpu: int(vcpu["cpu-index"]))
            return [int(vcpu["thread-id"]) for vcpu in vcpus]


# The commands ------------------------------------------------------------------------------------------------------


def describe(guest: Guest, _options: argparse.Namespace) -> None:
    """Size and state."""
    known, state = guest.definition(), guest.state()
    facts = {
        "vcpus": known["vcpus"] if state == "stopped" else len(guest.threads()),
        "memory-mib": known["memory-mib"],
        "state": state,
        "cpus": len(known.get("pin") or os.sched_getaffinity(0)),
    }
    print(json.dumps(facts))  # noqa: T201 - its answer


def save(guest: Guest, _options: argparse.Namespace) -> None:
    """Print the file as it is."""
    guest.definition()
    sys.stdout.buffer.write(guest.file.read_bytes())


def restore(guest: Guest, _options: argparse.Namespace) -> None:
    """Take the file from standard input as it is."""
    guest.define(sys.stdin.buffer.read())


def reshape(guest: Guest, options: argparse.Namespace) -> None:
    """Change the size in the file."""
    if guest.pid() is not None:
        raise SystemExit(f"guest {guest.domain} runs; stop it first")
    known = guest.definition() | {"vcpus": options.vcpus, "memory-mib": options.memory_mib}
    if options.topology:
        known["topology"] = options.topology
    if options.pin:
        known["pin"] = [int(cpu) for cpu in options.pin.split(",")]
    if options.live:
        known["live"] = True
    guest.define((json.dumps(known, indent=2) + "\n").encode())


def start(guest: Guest, _options: argparse.Namespace) -> None:
    """Switch on."""
    guest.start()


def stop(guest: Guest, _options: argparse.Namespace) -> None:
    """Press the power button, and wait a little: the guest takes its time."""
    with guest.asking() as ask:
        ask("system_powerdown")
    guest.forget(GOES_OFF_WITHIN_S)


def force_off(guest: Guest, _options: argparse.Namespace) -> None:
    """End QEMU."""
    if (pid := guest.pid()) is not None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    guest.forget(GOES_OFF_WITHIN_S)


def plug(guest: Guest, _options: argparse.Namespace) -> None:
    """Fill every free slot for a vCPU."""
    with guest.asking() as ask:
        free = [slot for slot in ask("query-hotpluggable-cpus") if "qom-path" not in slot]
        for number, slot in enumerate(reversed(free), 1):  # QEMU lists the highest first
            ask("device_add", driver=slot["type"], id=f"plugged-{number}", **slot["props"])


def counters(guest: Guest, _options: argparse.Namespace) -> None:
    """Read all vCPUs at one instant, as near as that can be."""
    pid, state = guest.pid(), guest.state()
    print(f"state {state}")  # noqa: T201 - its answer
    if pid is None or state == "stopped":
        return
    files = [Path(f"/proc/{pid}/task/{thread}/schedstat") for thread in guest.threads()]
    before_ns = time.monotonic_ns()
    readings = [file.read_text().split() for file in files]
    after_ns = time.monotonic_ns()
    print(f"clock {(before_ns + after_ns) // 2}")  # noqa: T201
    for number, (run, wait, _slices) in enumerate(readings):
        print(f"vcpu {number} run {run} wait {wait}")  # noqa: T201


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(description="QEMU guests, each a file DOMAIN.json in the working directory")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for act in (describe, save, restore, reshape, start, stop, force_off, plug, counters):
        command = commands.add_parser(act.__name__.replace("_", "-"), help=(act.__doc__ or "").partition(".")[0])
        command.add_argument("domain")
        command.set_defaults(act=act)
        if act is reshape:
            command.add_argument("--vcpus", type=int, required=True)
            command.add_argument("--memory-mib", type=int, required=True)
            command.add_argument("--topology", metavar="SOCKETSxCORESxTHREADS")
            command.add_argument("--pin", metavar="CPU,CPU...")
            command.add_argument("--live", action="store_true", help="boot with one vCPU; plug gives the others")
    options = parser.parse_args()
    try:
        options.act(Guest(options.domain), options)
    except subprocess.CalledProcessError as error:
        raise SystemExit(f"QEMU did not start (exit status {error.returncode})") from None
    except (OSError, ValueError, KeyError) as error:
        raise SystemExit(f"{type(error).__name__}: {error}") from None


if __name__ == "__main__":
    main()
