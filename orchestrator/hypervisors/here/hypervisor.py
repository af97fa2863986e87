"""A process guest on this machine, behind the protocol that every driver has."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.core.design.lab import SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Description, SavedGuest, Shell
from orchestrator.errors import GuestFault, HostFault, RestoreError, TrialbedError
from orchestrator.hypervisors.here.link import Link
from orchestrator.units import Bytes, Seconds, format_size

FEATURES = frozenset({"pin"})
KIND = "process guest, not a VM"
_DEFINITION = "guest.json"
#: Powering on is writing three small files and telling the login process; a host under full load may take its time.
_REQUEST_S = 10.0
#: The kernel moves the counters of a thread that runs at its timer tick: 4 ms at 250 Hz, at most 10 ms at 100 Hz.
_COUNTER_STEP_S = 0.010
#: Time that killing takes at most, beyond the grace that the caller gives (see ``machine.py``).
_KILL_S = 12.0


@dataclass(frozen=True)
class Definition:
    """What a process guest is, on or off."""

    vcpus: int = 1
    memory: Bytes = 512 * 2**20
    pin: tuple[int, ...] | None = None

    def to_json(self) -> bytes:
        """As kept in a run's folder; the same definition always gives the same bytes."""
        facts = {"schema_version": 1, "vcpus": self.vcpus, "memory": self.memory, "pin": self.pin}
        return (json.dumps(facts, indent=2, sort_keys=True) + "\n").encode("ascii")

    @classmethod
    def from_json(cls, content: bytes) -> Definition:
        """Read what :meth:`to_json` wrote. Raises ValueError, KeyError or TypeError when it is something else."""
        facts: dict[str, Any] = json.loads(content)
        if facts["schema_version"] != 1:
            raise ValueError(f"schema version {facts['schema_version']} is not known here")
        return cls(int(facts["vcpus"]), int(facts["memory"]), None if facts["pin"] is None else tuple(facts["pin"]))


class HereHypervisor:
    """A process guest. Its disk is a folder that is kept from power-on to power-on and goes with the driver.

    The processes behind it are started when they are first needed: by ``start`` or by a question for the host's login.
    """

    name = "here"
    features = FEATURES

    def __init__(self, guest: str, clock: Clock) -> None:
        self._guest = guest
        self._clock = clock
        self._definition = Definition()
        self._running = False
        self._link: Link | None = None

    # ---------------------------------------------------------------------------------------------- the definition

    def describe(self) -> Description:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        cpus = self._definition.pin or tuple(os.sched_getaffinity(0))
        return Description(
            kind=KIND,
            vcpus=self._definition.vcpus,
            memory=self._definition.memory,
            running=self._is_on(),
            host_cpus=len(cpus),
            max_memory=_physical_memory(),
            remarks=self._remarks(),
        )

    def _remarks(self) -> tuple[str, ...]:
        remarks = [
            "the guest is made of processes of this machine: no kernel, disk, network or page tables of its own, "
            "so a VM's overheads are not in the figures",
            "memory is a limit on each process's data, not on the guest",
            "programs inside see the host's CPUs; OMP_NUM_THREADS, GOMAXPROCS and PYTHON_CPU_COUNT give the vCPUs",
        ]
        hello = self._link.hello if self._link else {}
        if hello.get("hold") == "SIGSTOP":
            remarks.append(
                "this machine forbids ptrace: whole processes are held, "
                "and the wait of multi-threaded programs is uncertain by their surplus"
            )
        if hello.get("wait") is False:
            remarks.append("this kernel does not count run delay: wait is unavailable")
        return tuple(remarks)

    def save(self) -> SavedGuest:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return SavedGuest({_DEFINITION: self._definition.to_json()}, self._is_on())

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:  # noqa: ARG002 - a process guest has no owner
        """How its tasks are held; what else it is made of is this machine's."""
        hello = self._started().hello
        return {
            "acceleration": "none: processes of the host",
            "vcpu_layer": f"tasks are held by {hello.get('hold', 'means unknown')}",
        }

    def refusal(self, shape: Shape) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if unknown := sorted(shape.extras - self.features):
            return (
                f"shape {shape.name} asks for {', '.join(unknown)}, "
                f"which a process guest cannot give; drop it, or use a driver of real VMs"
            )
        usable = os.sched_getaffinity(0)
        if missing := sorted(set(shape.pin or ()) - usable):
            return (
                f"shape {shape.name} pins to CPU {', '.join(map(str, missing))}; "
                f"this process may use {', '.join(map(str, sorted(usable)))}"
            )
        limit = _physical_memory()
        if limit is not None and shape.memory > limit:
            return f"shape {shape.name} asks for {format_size(shape.memory)}; this machine has {format_size(limit)}"
        return None

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:  # noqa: ARG002 - a process guest is its shape and nothing else
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if self._is_on():
            raise HostFault(f"guest {self._guest} is on; it is reshaped only while it is off")
        if (refused := self.refusal(shape)) is not None:
            raise HostFault(refused)
        self._definition = Definition(shape.vcpus, shape.memory, shape.pin)

    def restore(self, saved: SavedGuest) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        try:
            definition = Definition.from_json(saved.files[_DEFINITION])
        except (KeyError, TypeError, ValueError) as error:
            raise RestoreError(f"the saved definition of guest {self._guest} cannot be read ({error})") from error
        try:
            if self._is_on() and (not saved.running or definition != self._definition):
                self.stop(_REQUEST_S)
            self._definition = definition
            if saved.running and not self._is_on():
                self.start()
        except TrialbedError as error:
            raise RestoreError(f"guest {self._guest} could not be put back: {error}") from error

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:  # noqa: ARG002 - nothing is left of it
        """Nothing: a process guest ends with the run."""
        return ()

    # -------------------------------------------------------------------------------------------------------- power

    def start(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if self._is_on():
            raise HostFault(f"guest {self._guest} is on already")
        shape = self._definition
        self._started().ask("on", _REQUEST_S, vcpus=shape.vcpus, memory=shape.memory, cpus=shape.pin)
        self._running = True

    def plug(self) -> None:
        """Never asked for: no shape with ``reshape: live`` is taken."""
        raise HostFault("a process guest has its vCPUs from the start")

    def trouble(self) -> str | None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return None if self._is_on() else "its processes have ended"

    def stop(self, timeout_s: Seconds) -> None:
        """End every process: by SIGTERM, and what is left after half of the time (at most 2 s) by SIGKILL."""
        if not self._is_on():
            return
        self._started().ask("off", timeout_s + _KILL_S, grace_s=min(2.0, timeout_s / 2))
        self._running = False

    def _is_on(self) -> bool:
        """Whether it is on. One whose process was killed (for memory, say) is off: the next trial begins with another.

        Only the counters still ask a process that is gone, so that the trial in hand fails and says why.
        """
        if self._link is not None and self._link.ended:
            self.close()
        return self._running

    def close(self) -> None:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if self._link is not None:
            self._link.close()
        self._link, self._running = None, False

    # ----------------------------------------------------------------------------------------------------- counters

    def counters(self) -> Sample:
        """See :class:`~orchestrator.engine.ports.Hypervisor`; ``vcpu.N.surplus_ns`` bounds the error of the wait."""
        if not self._running:
            raise GuestFault(f"guest {self._guest} is off: it has no counters")
        sent_s = self._clock.monotonic()
        answer = self._started().ask("counters", _REQUEST_S)
        back_s = self._clock.monotonic()
        uncertainty_s = (back_s - sent_s) / 2 + _COUNTER_STEP_S
        return Sample((sent_s + back_s) / 2, uncertainty_s, answer["source_ns"], answer["values"])

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:  # noqa: ARG002 - nobody is asked
        """None: a vCPU is no thread here, and the layer's counters are from schedstat already."""
        return {}

    # ------------------------------------------------------------------------------------------------------- logins

    def guest_access(self) -> SshAccess:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        if self._link is None:
            raise GuestFault(f"guest {self._guest} has not been started: it has no address yet")
        return self._access("guest")

    def host_access(self) -> SshAccess | None:
        """The host is this machine, behind the same server as the guest."""
        self._started()
        return self._access("host")

    def guest_root(self) -> str:
        """See :class:`~orchestrator.engine.ports.Hypervisor`."""
        return str(self._started().folder / "root")

    def _access(self, user: str) -> SshAccess:
        link = self._started()
        identity = str(link.folder / "identity")
        return SshAccess(
            address="127.0.0.1", port=link.hello["port"], user=user, identity=identity, host_key=link.hello["host_key"]
        )

    def _started(self) -> Link:
        if self._link is None:
            self._link = Link()
        return self._link


def _physical_memory() -> Bytes | None:
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError):
        return None
