"""A lab of the fake hypervisor, for tests of the driver ``command``."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Hypervisor
from orchestrator.hypervisors.command.driver import CommandDriver

FAKE = Path(__file__).with_name("fake_hypervisor.py")
SSH = {"address": "192.0.2.21", "user": "bench"}
#: Odd on purpose: bytes that a program which reads and writes JSON would not print again.
DEFINITION = b'{"size":{"cpus":1,\n  "memory": 262144}, "note": "F\xc3\xa4hre {domain}",  "more":[] }'


def commands(place: Path, /, **changed: Any) -> dict[str, Any]:
    """What a lab writes under ``with``."""

    def call(command: str, *more: str) -> list[str]:
        return [sys.executable, "-IS", "fake_hypervisor.py", command, "{domain}", *more]

    words = {"running": ["on"], "stopped": ["off"], "paused": ["held"], "crashed": ["panicked"]}
    return {
        "folder": str(place),
        "limit": "10 s",
        "describe": {
            "command": call("describe"),
            "vcpus": {"json": "size.cpus"},
            "memory": {"json": "size.memory", "unit": "KiB"},
            "state": {"json": "state", **words},
            "host-cpus": {"json": "host.cpus"},
        },
        "save": call("save"),
        "restore": call("restore"),
        "reshape": {
            "command": call("reshape", "{vcpus}", "{memory-mib}"),
            "topology": ["--topology", "{sockets}:{cores}:{threads}"],
            "quota": ["--quota={quota-percent}%"],
            "pin": ["--pin", "{pin}"],
        },
        "start": call("start"),
        "stop": call("stop"),
        "force-off": call("force-off"),
        "counters": {
            "command": call("counters"),
            "pattern": r"^cpu(?P<vcpu>\d+): ran (?P<run>\S+)(?: waited (?P<wait>\S+))?",
            "unit": "s",
            "clock": {"pattern": r"^at (?P<value>\d+)$", "unit": "ns"},
        },
        **changed,
    }


@dataclass
class LocalConnector:
    """Logs in to this machine without SSH, and remembers."""

    home: Path
    opened: list[LocalShell] = field(default_factory=list)

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> LocalShell:
        assert (access.address, machine) == ("192.0.2.20", "host")
        assert timeout_s > 0
        self.opened.append(LocalShell(SystemClock(), self.home))
        return self.opened[-1]


class FakeLab:
    """A folder with one guest of the fake hypervisor."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = SystemClock()
        self.connector: Any = LocalConnector(folder)
        shutil.copy(FAKE, folder)
        (folder / "bookings-db.json").write_bytes(DEFINITION)

    def open(self, *, force_off: bool = True, **changed: Any) -> Hypervisor:
        """The driver bound to the guest; ``changed`` are keys under ``with``."""
        lab = Lab.model_validate(
            {
                "hosts": {
                    "quay": {
                        "hypervisor": "command",
                        "ssh": {"address": "192.0.2.20", "user": "ops"},
                        "with": commands(self.folder, **changed),
                    }
                },
                "guests": {"bookings-1": {"host": "quay", "domain": "bookings-db", "ssh": SSH, "force-off": force_off}},
            }
        )
        return CommandDriver().open("bookings-1", lab, self.clock, self.connector).hypervisor

    def moods(self, **moods: str) -> None:
        """From now on these commands misbehave; ``force_off`` is ``force-off``."""
        named = {command.replace("_", "-"): mood for command, mood in moods.items()}
        (self.folder / "moods.json").write_text(json.dumps(named))

    def calls(self) -> list[str]:
        """The commands that were run since the last question."""
        file = self.folder / "calls"
        found = file.read_text().splitlines() if file.exists() else []
        file.write_text("")
        return found

    def definition(self) -> bytes:
        return (self.folder / "bookings-db.json").read_bytes()

    def pids(self, file: str) -> list[int]:
        """Processes that the fake has noted."""
        return [int(pid) for pid in (self.folder / file).read_text().split()]


def shape(vcpus: int = 2, memory: str = "512 MiB", **more: object) -> Shape:
    return Shape.model_validate({"name": f"v{vcpus}", "vcpus": vcpus, "memory": memory, **more})


def eventually(holds: Callable[[], bool], within_s: float = 5.0) -> bool:
    clock = SystemClock()
    until_s = clock.monotonic() + within_s
    while not holds():
        if clock.monotonic() > until_s:
            return False
        clock.sleep(0.02)
    return True


def alive(pids: Sequence[int]) -> list[int]:
    """Those that run: a process that only waits to be reaped has ended."""
    found = []
    for pid in pids:
        stat = Path(f"/proc/{pid}/stat")
        if stat.exists() and stat.read_text().rpartition(") ")[2][0] not in "ZX":
            found.append(pid)
    return found
