"""Every fact that is kept of the machines of a run: what it is, and what a change of it may do to throughput.

The weights are common practice; there is no published source that ranks such facts. ``likely`` is what sets how fast
CPUs run, how many there are, what else shares them, or what a kernel does at every switch and trap; ``possible`` is
what matters to some loads; ``unlikely`` is what tells of a change without causing one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Section = Literal["host", "guest", "hypervisor"]
Weight = Literal["likely", "possible", "unlikely"]
WEIGHTS: tuple[Weight, ...] = ("likely", "possible", "unlikely")
#: ``rarely``: when somebody changes the machine. ``by itself``: from run to run, without anybody meaning it.
#: ``always``: never the same twice, so that a difference says nothing.
Changes = Literal["rarely", "by itself", "always"]


@dataclass(frozen=True)
class Fact:
    """What a fact is.

    Attributes:
        name: what it is called in a sentence.
        meaning: what it is, in full.
        weight: how likely a change of it is to change throughput.
        untold: why it is not there, where a machine that was asked does not tell it.
        changes: how it changes from run to run.
        between: what stands between its parts, where it is a list.
        sized: whether a guest has it from its shape, so that it says nothing of the guest's surroundings.
    """

    name: str
    meaning: str
    weight: Weight
    untold: str
    changes: Changes = "rarely"
    between: str = ""
    sized: bool = False


def _no(*files: str) -> str:
    """Why a fact is not there that the kernel tells in a file."""
    return f"{' or '.join(files)} is not there, or cannot be read"


_CPU, _FREQUENCY = "/sys/devices/system/cpu", "/sys/devices/system/cpu/cpu0/cpufreq"
_CPUINFO = "/proc/cpuinfo does not tell it"
_TOPOLOGY = _no(f"{_CPU}/cpu0/topology")

#: Of a machine, host or guest, in the order in which they are kept and shown.
MACHINE_FACTS: dict[str, Fact] = {
    "cpu_model": Fact("CPU", "the CPU's name for itself", "likely", _CPUINFO),
    "cpu_vendor": Fact("CPU vendor", "its maker's name for itself", "likely", _CPUINFO),
    "cpu_family_model_stepping": Fact(
        "CPU family / model / stepping", "three numbers that tell steppings of a model apart", "likely", _CPUINFO
    ),
    "cpu_microcode": Fact("CPU microcode", "revision of the microcode that is loaded", "likely", _CPUINFO),
    "architecture": Fact("architecture", "the kernel's machine name", "likely", "there is no uname there"),
    "cpus_online": Fact(
        "CPUs online", "CPUs in use, in the kernel's list format", "likely", _no(f"{_CPU}/online"), sized=True
    ),
    "sockets": Fact("sockets", "physical packages with a CPU in use", "likely", _TOPOLOGY, sized=True),
    "cores": Fact("cores", "physical cores with a CPU in use", "likely", _TOPOLOGY, sized=True),
    "threads_per_core": Fact("threads a core", "CPUs in use for each core", "likely", _TOPOLOGY, sized=True),
    "smt": Fact("SMT", "whether several threads of a core are in use", "likely", _no(f"{_CPU}/smt/active"), sized=True),
    "numa_nodes": Fact(
        "NUMA nodes",
        "memory nodes and their CPUs",
        "likely",
        _no("/sys/devices/system/node"),
        between="; ",
        sized=True,
    ),
    "caches": Fact(
        "caches",
        "caches of the first CPU, and which CPUs share each",
        "likely",
        _no(f"{_CPU}/cpu0/cache"),
        between="; ",
        sized=True,
    ),
    "isolated_cpus": Fact(
        "CPUs set apart",
        "CPUs that the scheduler leaves alone, and those without a periodic tick",
        "likely",
        _no(f"{_CPU}/isolated"),
        between=", ",
        sized=True,
    ),
    "frequency_driver": Fact(
        "frequency driver", "what sets the CPU's frequency", "likely", _no(f"{_FREQUENCY}/scaling_driver")
    ),
    "frequency_governor": Fact(
        "frequency governor", "its policy, for all CPUs", "likely", _no(f"{_FREQUENCY}/scaling_governor")
    ),
    "frequency_preference": Fact(
        "energy preference",
        "what the CPU itself is told to favour, for all CPUs",
        "likely",
        _no(f"{_FREQUENCY}/energy_performance_preference"),
    ),
    "frequency_max": Fact(
        "highest frequency", "the highest frequency it may set", "likely", _no(f"{_FREQUENCY}/cpuinfo_max_freq")
    ),
    "boost": Fact(
        "boost",
        "whether frequencies above the nominal one are allowed",
        "likely",
        _no(f"{_CPU}/cpufreq/boost", f"{_CPU}/intel_pstate/no_turbo"),
    ),
    "idle_driver": Fact(
        "idle driver", "what puts idle CPUs to sleep", "possible", _no(f"{_CPU}/cpuidle/current_driver")
    ),
    "idle_states": Fact(
        "idle states", "its states on the first CPU", "possible", _no(f"{_CPU}/cpu0/cpuidle"), between=", "
    ),
    "mitigations": Fact(
        "mitigations",
        "the kernel's word on each CPU vulnerability",
        "likely",
        _no(f"{_CPU}/vulnerabilities"),
        between="; ",
    ),
    "kernel": Fact("kernel", "release of the kernel", "likely", _no("/proc/sys/kernel/osrelease")),
    "kernel_build": Fact("kernel build", "its build", "possible", _no("/proc/sys/kernel/version")),
    "kernel_command_line": Fact(
        "kernel command line",
        "what it was booted with; values that look like secrets are left out",
        "possible",
        _no("/proc/cmdline"),
        between=" ",
    ),
    "kernel_tick": Fact(
        "kernel tick",
        "ticks a second, when there are none, and what may interrupt the kernel's own work",
        "possible",
        _no("/boot/config-RELEASE of the running kernel"),
        between=", ",
    ),
    "scheduler_groups": Fact(
        "scheduling by session",
        "whether the kernel shares CPU time between sessions before processes",
        "possible",
        _no("/proc/sys/kernel/sched_autogroup_enabled"),
    ),
    "hypervisor_seen": Fact(
        "on a hypervisor",
        "whether this machine itself runs on a hypervisor, as far as it can tell",
        "likely",
        "neither /sys/hypervisor/type nor flags of an x86 processor tell it",
    ),
    "machine": Fact(
        "machine", "vendor and product as the firmware tells them", "possible", _no("/sys/class/dmi/id/product_name")
    ),
    "firmware": Fact("firmware", "version of the firmware", "possible", _no("/sys/class/dmi/id/bios_version")),
    "clock_source": Fact(
        "clock source",
        "what the kernel reads time from",
        "likely",
        _no("/sys/devices/system/clocksource/clocksource0/current_clocksource"),
    ),
    "clock_sources": Fact(
        "clock sources",
        "what it could read time from",
        "unlikely",
        _no("/sys/devices/system/clocksource/clocksource0/available_clocksource"),
        between=" ",
    ),
    "steal_clock": Fact(
        "steal clock",
        "whether the kernel has been told of time that its hypervisor took",
        "unlikely",
        _no("/proc/stat"),
        changes="by itself",
    ),
    "memory": Fact("memory", "all memory that the kernel has", "possible", _no("/proc/meminfo"), sized=True),
    "swap": Fact("swap", "swap space", "unlikely", _no("/proc/meminfo")),
    "huge_pages": Fact(
        "huge pages",
        "reserved huge pages, and the mode of transparent ones",
        "possible",
        _no("/sys/kernel/mm/transparent_hugepage/enabled"),
        between=", ",
    ),
    "page_merging": Fact(
        "merging of pages",
        "whether the kernel merges equal pages of memory (KSM)",
        "possible",
        _no("/sys/kernel/mm/ksm/run"),
    ),
    "memory_rules": Fact(
        "memory rules",
        "how the kernel promises memory (overcommit), and reclaims it near a CPU (zone reclaim)",
        "possible",
        _no("/proc/sys/vm"),
        between=", ",
    ),
    "numa_balancing": Fact(
        "NUMA balancing",
        "whether the kernel moves pages between memory nodes by itself",
        "possible",
        _no("/proc/sys/kernel/numa_balancing"),
    ),
    "balloon": Fact(
        "balloon driver",
        "what lets a hypervisor take memory back, as far as the guest has a driver for it",
        "possible",
        _no("/sys/bus"),
        between=", ",
    ),
    "disks": Fact(
        "disks", "each disk's driver, scheduler, cache and kind", "possible", _no("/sys/block"), between="; "
    ),
    "guest_halt_polling": Fact(
        "polling of halted vCPUs",
        "how long the host polls when a guest's vCPU halts (KVM)",
        "possible",
        _no("/sys/module/kvm/parameters/halt_poll_ns"),
    ),
    "cpu_limit": Fact(
        "CPU limit",
        "CPU bandwidth limit of the control group that is seen as the root (microseconds: quota, period)",
        "likely",
        _no("/sys/fs/cgroup/cpu.max"),
    ),
    "os": Fact("operating system", "the operating system's name for itself", "possible", _no("/etc/os-release")),
    "time_sync": Fact(
        "time synchronisation",
        "daemons that discipline the clock, as far as they can be seen",
        "unlikely",
        "no process of others can be seen",
        between=", ",
    ),
    "guest_processes": Fact(
        "QEMU processes",
        "virtual machines whose process can be seen, the run's own among them (count only)",
        "likely",
        "no process of others can be seen",
        changes="by itself",
    ),
    "load": Fact(
        "load",
        "load averages of 1, 5 and 15 minutes, and runnable of all tasks",
        "unlikely",
        _no("/proc/loadavg"),
        changes="always",
    ),
    "uptime": Fact("uptime", "since boot", "unlikely", _no("/proc/uptime"), changes="always"),
}

_NOT_DEFINED = "the driver does not tell it"

#: Of the guest as its hypervisor defines it, less what its shapes set. A driver gives those that it knows.
HYPERVISOR_FACTS: dict[str, Fact] = {
    "hypervisor_version": Fact("hypervisor", "name and version of what runs the guest", "likely", _NOT_DEFINED),
    "manager_version": Fact("manager", "version of the layer that manages it", "unlikely", _NOT_DEFINED),
    "acceleration": Fact("acceleration", "what executes the guest's instructions", "likely", _NOT_DEFINED),
    "machine_type": Fact("machine type", "the board that the guest is given, and its version", "likely", _NOT_DEFINED),
    "cpu_mode": Fact(
        "virtual CPU",
        "the CPU that the guest is given, with features added or taken",
        "likely",
        _NOT_DEFINED,
        between=", ",
    ),
    "features": Fact(
        "features",
        "features of the board and the hypervisor that the guest is offered",
        "possible",
        _NOT_DEFINED,
        between=", ",
    ),
    "timers": Fact("timers", "the guest's clock and timers", "possible", _NOT_DEFINED, between=", "),
    "boot_firmware": Fact("boot firmware", "what boots the guest", "unlikely", _NOT_DEFINED),
    "disk_drivers": Fact(
        "virtual disks", "each disk's bus, format, cache and I/O", "likely", _NOT_DEFINED, between="; "
    ),
    "network_drivers": Fact(
        "virtual network", "each interface's model and connection", "possible", _NOT_DEFINED, between="; "
    ),
    "ballooning": Fact(
        "ballooning", "whether the hypervisor can take memory back from the guest", "possible", _NOT_DEFINED
    ),
    "memory_backing": Fact(
        "memory backing",
        "huge pages, locking, merging and place of the guest's memory",
        "likely",
        _NOT_DEFINED,
        between=", ",
    ),
    "cpu_tuning": Fact(
        "CPU tuning",
        "limits, weights and places that the guest's owner set beside its vCPUs",
        "likely",
        _NOT_DEFINED,
        between=", ",
    ),
    "vcpu_layer": Fact("vCPU layer", "how the tasks of a process guest are held to its vCPUs", "likely", _NOT_DEFINED),
    "model": Fact("model", "what a simulated host is made of", "likely", _NOT_DEFINED, between=", "),
    "other_guests": Fact(
        "other guests running",
        "guests that run on the host beside this one (count only)",
        "likely",
        _NOT_DEFINED,
        changes="by itself",
    ),
}

FACTS: dict[Section, dict[str, Fact]] = {
    "host": MACHINE_FACTS,
    "guest": MACHINE_FACTS,
    "hypervisor": HYPERVISOR_FACTS,
}


def untold(section: Section, facts: Mapping[str, str | None], why: str = "") -> dict[str, str]:
    """Why each fact of a section that is not there is not there.

    Args:
        section: where they were told.
        facts: what was told.
        why: what kept all of it from being asked, such as a login that failed; empty where it was asked.
    """
    return {key: why or fact.untold for key, fact in FACTS[section].items() if facts.get(key) is None}


def lasting(section: Section, facts: Mapping[str, str | None]) -> dict[str, str]:
    """The facts that change only when somebody changes the machine: what an upgrade is told by."""
    return {
        key: value
        for key, fact in FACTS[section].items()
        if (value := facts.get(key)) is not None
        and fact.changes == "rarely"
        and not (fact.sized and section == "guest")
    }


def only_in(one: str, other: str, between: str) -> str:
    """The parts of a fact that is a list which another list has not.

    Args:
        one: whose parts.
        other: the list that is compared with.
        between: what parts them, see :attr:`Fact.between`.
    """
    there = set(other.split(between))
    return between.join(part for part in one.split(between) if part not in there)
