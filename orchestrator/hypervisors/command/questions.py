"""What is asked of a guest, and changes nothing: its size, its state, its definition, its counters."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.measure.samples import Value
from orchestrator.engine.ports import Description
from orchestrator.errors import HostFault
from orchestrator.hypervisors.command.commands import Commands
from orchestrator.hypervisors.command.reading import Output, State
from orchestrator.hypervisors.command.settings import CommandSettings
from orchestrator.units import Nanoseconds

#: CPUs of a machine: POSIX getconf(1) with a variable that glibc, musl and the BSDs know.
_CPUS = ("getconf", "_NPROCESSORS_ONLN")
_MOST_OF_A_FACT = 2000


@dataclass(frozen=True)
class Counted:
    """One reading of the counters.

    Attributes:
        values: ``vcpu.N.run_ns`` and, where it is counted, ``vcpu.N.wait_ns``.
        clock_ns: the host's own clock, where the command prints it.
        state: the guest's power state, where the command prints it.
    """

    values: dict[str, Value]
    clock_ns: Nanoseconds | None
    state: State | None


class Questions:
    """Asks by the lab's commands. Every method raises HostFault when there is no answer that can be read."""

    def __init__(self, settings: CommandSettings, commands: Commands) -> None:
        self._settings, self._commands = settings, commands
        self._machine_cpus: int | None = None

    def describe(self) -> Description:
        """Size and power state."""
        declared, answer = self._settings.describe, self._ask()
        with self._commands.reading("describe", declared.command):
            vcpus, memory = answer.whole("vcpus", declared.vcpus), answer.size("memory", declared.memory)
            state = answer.state(declared.state)
            host_cpus = answer.whole("host-cpus", declared.host_cpus) if declared.host_cpus else None
            max_vcpus = answer.whole("max-vcpus", declared.max_vcpus) if declared.max_vcpus else None
            max_memory = answer.size("max-memory", declared.max_memory) if declared.max_memory else None
        return Description(
            kind=self._settings.kind,
            vcpus=vcpus,
            memory=memory,
            running=state != "stopped",
            host_cpus=host_cpus if host_cpus is not None else self._cpus(),
            max_vcpus=max_vcpus,
            max_memory=max_memory,
            remarks=self._remarks(),
        )

    def state(self) -> State:
        """Power state."""
        declared, answer = self._settings.describe, self._ask()
        with self._commands.reading("describe", declared.command):
            return answer.state(declared.state)

    def definition(self) -> bytes:
        """All that makes the guest what it is."""
        printed = self._commands.exactly("save", self._settings.save)
        if not printed.strip():
            raise HostFault("save: the command printed nothing; it has to print the guest's whole definition")
        return printed

    def facts(self) -> dict[str, str]:
        """What there are commands for, by its key in the table of facts."""
        declared = self._settings.facts
        found = {}
        for key in type(declared).model_fields:
            if (argv := getattr(declared, key)) is not None:
                name = f"facts.{key.replace('_', '-')}"
                lines = self._commands.run(name, argv).output.decode("utf-8", "replace").strip().splitlines()
                if not lines:
                    raise HostFault(f"{name}: the command printed nothing; its first line is what is kept")
                found[key] = lines[0].strip()[:_MOST_OF_A_FACT]
        return found

    def count(self) -> Counted:
        """The cumulative counters."""
        declared = self._settings.counters
        answer = self._commands.output("counters", declared.command, declared.limit)
        with self._commands.reading("counters", declared.command):
            state = answer.state(declared.state) if declared.state else None
            if state not in {None, "running"}:
                return Counted({}, None, state)
            vcpus = answer.vcpus(declared)
            clock_ns = answer.time("clock", declared.clock) if declared.clock else None
        values: dict[str, Value] = {
            f"vcpu.{number}.{name}": value for number in sorted(vcpus) for name, value in vcpus[number].items()
        }
        return Counted(values, clock_ns, state)

    def _ask(self) -> Output:
        return self._commands.output("describe", self._settings.describe.command)

    def _cpus(self) -> int:
        if self._machine_cpus is None:
            printed = self._commands.run("host-cpus", _CPUS).output.decode("ascii", "replace").strip()
            if not printed.isdecimal():
                raise HostFault("host-cpus: getconf does not tell the number of CPUs; give describe a reader host-cpus")
            self._machine_cpus = int(printed)
        return self._machine_cpus

    def _remarks(self) -> tuple[str, ...]:
        remarks = [f"described, changed and counted by commands of the lab, run {self._commands.place}"]
        if not self._settings.counters.has_wait:
            remarks.append("the counters command gives no wait: contention cannot be seen")
        return tuple(remarks)
