"""The fingerprint of this machine against what Python and coreutils say of it; made-up machines against their files."""

from __future__ import annotations

import os
import platform
import re
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from orchestrator.adapters.environment import SCRIPT, fingerprint
from orchestrator.core.record.facts import MACHINE_FACTS
from orchestrator.engine.ports import Completed, Process
from orchestrator.errors import GuestFault

SHELLS = [shell for shell in (("sh",), ("bash", "--posix"), ("busybox", "sh")) if shutil.which(shell[0])]


class LocalShell:
    """A login on this machine, for real, with the shell of one's choice."""

    def __init__(self, shell: Sequence[str] = ("sh",)) -> None:
        self._shell = shell

    def run(
        self, argv: Sequence[str], *, stdin: str = "", timeout_s: float = 10.0, folder: str | None = None
    ) -> Completed:
        assert argv[0] == "sh"
        command = [*self._shell, *argv[1:]]
        done = subprocess.run(
            command,
            input=stdin,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=timeout_s,
            check=False,
            cwd=folder,
        )
        assert done.stderr == ""  # a shell that complains has not understood the script
        return Completed(done.returncode, done.stdout, done.stderr)

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> Process:
        raise NotImplementedError

    def put(self, files: Mapping[str, bytes], folder: str) -> None:
        raise NotImplementedError

    def close(self) -> None:
        pass


def machine(root: Path, files: Mapping[str, str]) -> str:
    """A machine made of files."""
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content)
    return str(root)


CPU = "sys/devices/system/cpu"
SERVER = {
    "proc/cpuinfo": "processor\t: 0\nvendor_id\t: Vendor\ncpu family\t: 6\nmodel\t\t: 143\n"
    "model name\t: A Server CPU @ 2.0GHz\nstepping\t: 8\nmicrocode\t: 0x2b000603\nflags\t\t: fpu vme hypervisor de\n"
    "\nprocessor\t: 1\nmodel name\t: Another\n",
    "proc/meminfo": "MemTotal:       16384000 kB\nMemFree: 1 kB\nSwapTotal: 0 kB\nHugePages_Total:      12\n",
    "proc/sys/kernel/osrelease": "6.1.0-rack\n",
    "proc/cmdline": 'root=/dev/vda1 quiet db_password=hunter2 api.token="a b" keymap=de isolcpus=2-3\n',
    "proc/loadavg": "0.50 0.40 0.30 2/345 6789\n",
    "proc/uptime": "12345.67 99999.99\n",
    "proc/17/comm": "chronyd\n",
    "proc/18/comm": "postgres\n",
    f"{CPU}/online": "0-3\n",
    f"{CPU}/smt/active": "1\n",
    f"{CPU}/cpufreq/boost": "0\n",
    f"{CPU}/cpuidle/current_driver": "intel_idle\n",
    f"{CPU}/cpu0/cpufreq/scaling_driver": "acpi-cpufreq\n",
    f"{CPU}/cpu0/cpufreq/cpuinfo_max_freq": "3600000\n",
    f"{CPU}/cpu0/cpuidle/state0/name": "POLL\n",
    f"{CPU}/cpu0/cpuidle/state0/disable": "0\n",
    f"{CPU}/cpu0/cpuidle/state1/name": "C6\n",
    f"{CPU}/cpu0/cpuidle/state1/disable": "1\n",
    f"{CPU}/cpu0/cache/index0/level": "1\n",
    f"{CPU}/cpu0/cache/index0/type": "Data\n",
    f"{CPU}/cpu0/cache/index0/size": "48K\n",
    f"{CPU}/cpu0/cache/index0/shared_cpu_list": "0,2\n",
    f"{CPU}/isolated": "2-3\n",
    f"{CPU}/nohz_full": "(null)\n",
    f"{CPU}/vulnerabilities/meltdown": "Not affected\n",
    f"{CPU}/vulnerabilities/spectre_v2": "Mitigation: Retpolines\n",
    "sys/devices/system/node/node0/cpulist": "0-1\n",
    "sys/devices/system/node/node1/cpulist": "2-3\n",
    "sys/class/dmi/id/sys_vendor": "Vendor\n",
    "sys/class/dmi/id/product_name": "Rack 1\n",
    "sys/kernel/mm/transparent_hugepage/enabled": "always [madvise] never\n",
    "sys/kernel/mm/ksm/run": "2\n",
    "sys/module/kvm/parameters/halt_poll_ns": "200000\n",
    "sys/bus/virtio/drivers/virtio_balloon/virtio3/vendor": "0x1af4\n",
    "sys/bus/virtio/drivers/virtio_balloon/module/version": "1\n",
    "sys/bus/virtio/drivers/other_balloon/bind": "",
    "sys/block/vda/device/driver/bind": "",
    "sys/block/vda/queue/scheduler": "[none] mq-deadline\n",
    "sys/block/vda/queue/write_cache": "write back\n",
    "sys/block/vda/queue/rotational": "1\n",
    "sys/block/nvme0n1/device/device/driver/bind": "",
    "sys/block/nvme0n1/queue/scheduler": "none\n",
    "sys/block/nvme0n1/queue/rotational": "0\n",
    "sys/block/loop0/queue/scheduler": "[none]\n",
    "sys/block/sr0/device/vendor": "x\n",
    "proc/1/comm": "init\n",
    "proc/19/comm": "qemu-system-x86\n",
    "proc/20/comm": "kvm\n",
    "proc/21/comm": "kvm-nx-lpage-re\n",
    "proc/stat": "cpu  10 0 5 1000 2 0 1 7 0 0\ncpu0 10 0 5 1000 2 0 1 7 0 0\n",
    "proc/sys/kernel/sched_autogroup_enabled": "1\n",
    "proc/sys/vm/overcommit_memory": "0\n",
    "proc/sys/vm/zone_reclaim_mode": "3\n",
    "boot/config-6.1.0-rack": "CONFIG_NO_HZ_IDLE=y\n# CONFIG_NO_HZ_FULL is not set\nCONFIG_PREEMPT_BUILD=y\n"
    "CONFIG_PREEMPT_VOLUNTARY=y\nCONFIG_PREEMPT_DYNAMIC=y\nCONFIG_HZ_250=y\nCONFIG_HZ=250\nCONFIG_HZ_PERIODIC=y\n",
    "etc/os-release": 'NAME="Example"\nPRETTY_NAME="Example Linux 12"\n',
    "run/systemd/timesync/synchronized": "",
}
for number, (package, core) in enumerate([(0, 0), (1, 0), (0, 0), (1, 0)]):
    SERVER[f"{CPU}/cpu{number}/topology/physical_package_id"] = f"{package}\n"
    SERVER[f"{CPU}/cpu{number}/topology/core_id"] = f"{core}\n"
    SERVER[f"{CPU}/cpu{number}/cpufreq/energy_performance_preference"] = "balance_power\n"
    SERVER[f"{CPU}/cpu{number}/cpufreq/scaling_governor"] = "performance\n" if number else "powersave\n"

EXPECTED = {
    "cpu_model": "A Server CPU @ 2.0GHz",
    "cpu_family_model_stepping": "6 / 143 / 8",
    "cpu_microcode": "0x2b000603",
    "cpus_online": "0-3",
    "sockets": "2",
    "cores": "2",
    "threads_per_core": "2",
    "smt": "on",
    "numa_nodes": "0: CPUs 0-1; 1: CPUs 2-3",
    "caches": "L1 Data 48K, CPUs 0,2",
    "frequency_driver": "acpi-cpufreq",
    "frequency_governor": "powersave, performance",
    "frequency_max": "3600 MHz",
    "boost": "off",
    "idle_driver": "intel_idle",
    "idle_states": "POLL, C6 (disabled)",
    "mitigations": "meltdown: Not affected; spectre_v2: Mitigation: Retpolines",
    "kernel": "6.1.0-rack",
    "kernel_command_line": "root=/dev/vda1 quiet db_password=(left out) api.token=(left out) keymap=de isolcpus=2-3",
    "hypervisor_seen": "yes",
    "machine": "Vendor Rack 1",
    "memory": "15.62 GiB",
    "swap": "0 B",
    "huge_pages": "12 reserved, transparent always [madvise] never",
    "os": "Example Linux 12",
    "time_sync": "chronyd, synchronised",
    "load": "0.50 0.40 0.30 2/345 6789",
    "uptime": "12345.67 s",
    "isolated_cpus": "isolated 2-3",
    "frequency_preference": "balance_power",
    "page_merging": "off, and undone",
    "guest_halt_polling": "200 us",
    "balloon": "virtio_balloon",
    "disks": "nvme0n1: driver, scheduler none, not rotating; vda: driver, scheduler none, write back, rotating",
    "guest_processes": "2",
    "steal_clock": "some was taken",
    "scheduler_groups": "on",
    "memory_rules": "overcommit memory 0, zone reclaim mode 3",
    "kernel_tick": "250 Hz, no tick while idle, voluntary preemption, preemption chosen at boot",
    "clock_source": None,
    "cpu_limit": None,
    "numa_balancing": None,
}


@pytest.mark.parametrize("shell", SHELLS, ids=lambda shell: shell[0])
def test_a_servers_files_are_read_by_every_shell(tmp_path: Path, shell: Sequence[str]) -> None:
    facts = fingerprint(LocalShell(shell), machine(tmp_path / "a root", SERVER))
    assert {key: facts[key] for key in EXPECTED} == EXPECTED


@pytest.mark.parametrize("shell", SHELLS, ids=lambda shell: shell[0])
def test_a_machine_that_tells_nothing_gives_nothing(tmp_path: Path, shell: Sequence[str]) -> None:
    facts = fingerprint(LocalShell(shell), machine(tmp_path, {"etc/os-release": ""}))
    assert list(facts) == list(MACHINE_FACTS)
    assert {key for key, value in facts.items() if value is not None} == {"architecture"}


def test_an_arm_processor_is_named_by_its_numbers(tmp_path: Path) -> None:
    """Field names of ``arch/arm64/kernel/cpuinfo.c``."""
    info = (
        "processor\t: 0\nBogoMIPS\t: 50.00\nCPU implementer\t: 0x41\nCPU architecture: 8\n"
        "CPU variant\t: 0x3\nCPU part\t: 0xd0c\nCPU revision\t: 1\n"
    )
    facts = fingerprint(LocalShell(), machine(tmp_path, {"proc/cpuinfo": info}))
    assert facts["cpu_model"] == "implementer 0x41, part 0xd0c, variant 0x3, revision 1"
    assert facts["hypervisor_seen"] is None  # unavailable there, which is not "no"


def test_boost_is_also_read_from_its_opposite(tmp_path: Path) -> None:
    """``no_turbo``: 1 forbids (kernel documentation, admin-guide/pm/intel_pstate.rst)."""
    for value, boost in (("1", "off"), ("0", "on")):
        root = machine(tmp_path / value, {f"{CPU}/intel_pstate/no_turbo": f"{value}\n"})
        assert fingerprint(LocalShell(), root)["boost"] == boost


def test_processes_without_a_time_daemon_are_told_from_no_processes(tmp_path: Path) -> None:
    assert (
        fingerprint(LocalShell(), machine(tmp_path / "a", {"proc/1/comm": "init\n"}))["time_sync"] == "no daemon seen"
    )
    assert fingerprint(LocalShell(), machine(tmp_path / "b", {"proc/x": ""}))["time_sync"] is None


def test_where_only_ones_own_processes_are_shown_none_are_counted(tmp_path: Path) -> None:
    """``/proc`` mounted ``hidepid`` hides the files of process 1 (filesystems/proc.rst, mount options)."""
    facts = fingerprint(LocalShell(), machine(tmp_path, {"proc/4711/comm": "sh\n"}))
    assert (facts["time_sync"], facts["guest_processes"]) == (None, None)


def test_what_is_there_and_empty_is_none_and_not_unknown(tmp_path: Path) -> None:
    there = {
        f"{CPU}/isolated": "\n",
        "sys/block/loop0/queue/scheduler": "none\n",
        "sys/bus/pci/x": "",
        "proc/1/comm": "x",
    }
    facts = fingerprint(LocalShell(), machine(tmp_path, there))
    found = {key: facts[key] for key in ("isolated_cpus", "disks", "balloon", "guest_processes")}
    assert found == {"isolated_cpus": "none", "disks": "none", "balloon": "none", "guest_processes": "0"}


def test_hostile_files_stay_text(tmp_path: Path) -> None:
    hostile = {
        "proc/cpuinfo": "model name\t: $(touch pwned) `touch pwned` \x1b[31m %s \\n\n",
        f"{CPU}/vulnerabilities/a b; touch pwned": "x" * 5000 + "\n",
        "proc/sys/kernel/osrelease": "",
        "proc/loadavg": "no newline at its end",
    }
    facts = fingerprint(LocalShell(), machine(tmp_path, hostile))
    assert facts["cpu_model"] == "$(touch pwned) `touch pwned` \x1b[31m %s \\n"
    assert len(facts["mitigations"] or "") == 2000
    assert facts["kernel"] is None
    assert facts["load"] == "no newline at its end"
    assert not list(Path.cwd().glob("pwned"))


@pytest.mark.real
def test_this_machine_is_told_as_python_tells_it() -> None:
    facts = fingerprint(LocalShell())
    assert facts["kernel"] == platform.release()
    assert facts["architecture"] == platform.machine()
    nproc = int(subprocess.run(["nproc", "--all"], capture_output=True, text=True, check=True).stdout)
    assert round(int(facts["cores"] or 0) * float(facts["threads_per_core"] or 0)) == nproc == os.cpu_count()
    drivers = {
        disk.name: (disk / "device/driver").resolve().name
        for disk in Path("/sys/block").glob("[!s]*")
        if (disk / "device/driver").exists()
    }
    assert all(f"{disk}: {driver}" in (facts["disks"] or "") for disk, driver in drivers.items())
    overcommit = Path("/proc/sys/vm/overcommit_memory").read_text().strip()
    assert (facts["memory_rules"] or "").startswith(f"overcommit memory {overcommit}")
    memory, unit = (facts["memory"] or "").split()
    size = float(memory) * {"MiB": 2**20, "GiB": 2**30, "TiB": 2**40}[unit]
    assert size == pytest.approx(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"), rel=1e-3)


def test_a_machine_that_cannot_be_reached_is_not_hidden() -> None:
    class Silent(LocalShell):
        def run(self, *_args: object, **_options: object) -> Completed:
            raise GuestFault("the guest fell silent")

    with pytest.raises(GuestFault, match="silent"):
        fingerprint(Silent())


@pytest.mark.skipif(shutil.which("dash") is None, reason="dash reads a script strictly by POSIX; it is not here")
def test_the_script_is_posix_to_the_letter() -> None:
    assert subprocess.run(["dash", "-n", "-c", SCRIPT], capture_output=True, check=False).returncode == 0
    assert re.findall(r"\b(awk|sed|grep|cat|cut|sort|lscpu|local)\b|\[\[|=~|<<<", SCRIPT) == []
