"""The fingerprint of a machine: what could make the same experiment give another result there.

One POSIX shell script reads the kernel's files and prints them as they are; it needs no program beyond the shell, and
leaves nothing behind. What the lines mean is decided here. A fact that a machine does not tell is ``None``: that is not
the same as 0 or "off". The files are those of the kernel's documentation: ``ABI/testing/sysfs-devices-system-cpu``,
``ABI/testing/sysfs-block``, ``admin-guide/pm``, ``admin-guide/hw-vuln``, ``admin-guide/mm/ksm``,
``admin-guide/sysctl``, ``filesystems/proc``, ``virt/kvm/halt-polling``. The processes of others count as seen where
process 1 can be looked at: a ``/proc`` that is mounted ``hidepid`` shows one's own only. Of the numbers in
``/proc/sys`` only those of one digit are read: some shells read byte by byte, and the kernel gives such a reader the
first byte alone (``proc_dointvec`` in ``kernel/sysctl.c`` ends at any other position).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from orchestrator.core.record.facts import MACHINE_FACTS
from orchestrator.engine.ports import Shell
from orchestrator.units import Seconds, format_size

SCRIPT = r"""
root=$1
cpus="$root/sys/devices/system/cpu"
tab=$(printf '\t')
line() { value=; if [ -r "$1" ]; then { IFS= read -r value < "$1"; } 2>/dev/null; fi; [ -n "$value" ]; }
say() { if line "$root$2"; then printf '%s\t%s\n' "$1" "$value"; fi; }

if [ -r "$root/proc/cpuinfo" ]; then
  while IFS=: read -r name text; do
    [ -n "$name" ] || break
    printf 'cpuinfo %s\t%s\n' "${name%%"$tab"*}" "$text"
  done < "$root/proc/cpuinfo"
fi
for cpu in "$cpus"/cpu[0-9]*; do
  if line "$cpu/topology/physical_package_id"; then
    package=$value
    if line "$cpu/topology/core_id"; then printf 'core\t%s %s\n' "$package" "$value"; fi
  fi
  if line "$cpu/cpufreq/scaling_governor"; then printf 'governor\t%s\n' "$value"; fi
  if line "$cpu/cpufreq/energy_performance_preference"; then printf 'preference\t%s\n' "$value"; fi
done
for cpu in "$cpus"/cpu[0-9]*; do
  if [ -d "$cpu/cache/index0" ]; then
    for cache in "$cpu"/cache/index*; do
      line "$cache/level" && text="L$value" && line "$cache/type" && text="$text $value" &&
      line "$cache/size" && text="$text $value" && line "$cache/shared_cpu_list" &&
      printf 'cache\t%s, CPUs %s\n' "$text" "$value"
    done
    break
  fi
done
for cpu in "$cpus"/cpu[0-9]*; do
  if [ -d "$cpu/cpuidle/state0" ]; then
    for state in "$cpu"/cpuidle/state*; do
      if line "$state/name"; then
        name=$value
        if line "$state/disable" && [ "$value" != 0 ]; then name="$name (disabled)"; fi
        printf 'idle_state\t%s\n' "$name"
      fi
    done
    break
  fi
done
for cpu in "$cpus"/cpu[0-9]*; do
  if line "$cpu/cpufreq/scaling_driver"; then
    printf 'frequency_driver\t%s\n' "$value"
    if line "$cpu/cpufreq/cpuinfo_max_freq"; then printf 'max_khz\t%s\n' "$value"; fi
    break
  fi
done
for file in "$cpus"/vulnerabilities/*; do
  if line "$file"; then printf 'mitigation\t%s: %s\n' "${file##*/}" "$value"; fi
done
for node in "$root"/sys/devices/system/node/node[0-9]*; do
  if line "$node/cpulist"; then printf 'node\t%s: CPUs %s\n' "${node##*/node}" "$value"; fi
done
for what in isolated nohz_full; do
  if [ -r "$cpus/$what" ]; then line "$cpus/$what" || value=none; printf '%s\t%s\n' "$what" "$value"; fi
done
if [ -r "$root/proc/meminfo" ]; then
  while read -r name value unit; do
    case $name in MemTotal:|SwapTotal:|HugePages_Total:) printf 'meminfo %s\t%s\n' "${name%:}" "$value";; esac
  done < "$root/proc/meminfo"
fi
if [ -d "$root/sys/block" ]; then printf 'block\tseen\n'; fi
for disk in "$root"/sys/block/*; do
  [ -e "$disk/device" ] || continue
  case ${disk##*/} in sr[0-9]*|fd[0-9]*) continue;; esac
  printf 'disk\t%s' "${disk##*/}"
  for link in "$disk/device/driver" "$disk/device/device/driver"; do
    if [ -d "$link" ]; then link=$(cd -P "$link" && pwd -P); printf '|driver %s' "${link##*/}"; break; fi
  done
  for file in scheduler write_cache rotational; do
    if line "$disk/queue/$file"; then printf '|%s %s' "$file" "$value"; fi
  done
  printf '\n'
done
if [ -d "$root/sys/bus" ]; then printf 'bus\tseen\n'; fi
for driver in "$root"/sys/bus/*/drivers/*balloon*; do
  for device in "$driver"/*; do
    if [ -d "$device" ] && [ "${device##*/}" != module ]; then printf 'balloon\t%s\n' "${driver##*/}"; fi
  done
done
if line "$root/proc/sys/kernel/osrelease"; then
  config="$root/boot/config-$value"
  [ -r "$config" ] || config="/boot/config-$value"
  if [ -r "$config" ]; then
    while IFS= read -r text; do
      case $text in
        CONFIG_NO_HZ_FULL=y|CONFIG_NO_HZ_IDLE=y|CONFIG_HZ_PERIODIC=y|CONFIG_PREEMPT*=y) printf 'config\t%s\n' "$text";;
        CONFIG_HZ=*) printf 'config\t%s\n' "$text"; break;;
      esac
    done < "$config"
  fi
fi
say online /sys/devices/system/cpu/online
say smt /sys/devices/system/cpu/smt/active
say boost /sys/devices/system/cpu/cpufreq/boost
say no_turbo /sys/devices/system/cpu/intel_pstate/no_turbo
say idle_driver /sys/devices/system/cpu/cpuidle/current_driver
say kernel /proc/sys/kernel/osrelease
say kernel_build /proc/sys/kernel/version
say command_line /proc/cmdline
say hypervisor_type /sys/hypervisor/type
say machine_vendor /sys/class/dmi/id/sys_vendor
say machine_product /sys/class/dmi/id/product_name
say firmware /sys/class/dmi/id/bios_version
say clock_source /sys/devices/system/clocksource/clocksource0/current_clocksource
say clock_sources /sys/devices/system/clocksource/clocksource0/available_clocksource
say huge_pages /sys/kernel/mm/transparent_hugepage/enabled
say page_merging /sys/kernel/mm/ksm/run
say numa_balancing /proc/sys/kernel/numa_balancing
say scheduler_groups /proc/sys/kernel/sched_autogroup_enabled
say halt_poll_ns /sys/module/kvm/parameters/halt_poll_ns
for what in overcommit_memory zone_reclaim_mode; do say "vm $what" "/proc/sys/vm/$what"; done
say stat /proc/stat
say cpu_limit /sys/fs/cgroup/cpu.max
say load /proc/loadavg
say uptime /proc/uptime
release="$root/etc/os-release"
[ -r "$release" ] || release=/etc/os-release
if [ -r "$release" ]; then
  while IFS= read -r text; do
    case $text in PRETTY_NAME=*) printf 'os\t%s\n' "${text#PRETTY_NAME=}";; esac
  done < "$release"
fi
if [ -e "$root/run/systemd/timesync/synchronized" ]; then printf 'time_synchronised\tyes\n'; fi
for file in "$root"/proc/[0-9]*/comm; do
  if line "$file"; then
    case $value in kvm|qemu-kvm*|qemu-system-*) printf 'guest_process\t%s\n' "$value";; esac
    case $value in chronyd|ntpd|systemd-timesyn|ptp4l|phc2sys|openntpd) printf 'time_daemon\t%s\n' "$value";; esac
  fi
done
if line "$root/proc/1/comm"; then printf 'processes\tseen\n'; fi
printf 'architecture\t%s\n' "$(uname -m 2>/dev/null)"
exit 0
"""

#: Options of the kernel's tick and preemption, in words.
_TICK = {
    "HZ_PERIODIC": "always ticking",
    "NO_HZ_IDLE": "no tick while idle",
    "NO_HZ_FULL": "no tick on chosen CPUs",
    "PREEMPT_NONE": "no preemption",
    "PREEMPT_VOLUNTARY": "voluntary preemption",
    "PREEMPT": "preemption",
    "PREEMPT_LAZY": "lazy preemption",
    "PREEMPT_RT": "full preemption",
    "PREEMPT_DYNAMIC": "preemption chosen at boot",
}
_RULES = ("overcommit_memory", "zone_reclaim_mode")
_MAX_VALUE = 2000
_SECRET = re.compile(r"(?i)([^\s=]*(?:pass|secret|token|key(?!map|board))[^\s=]*)=(\"[^\"]*\"|\S+)")

_Told = Mapping[str, list[str]]


def fingerprint(shell: Shell, root: str = "", timeout_s: Seconds = 30.0) -> dict[str, str | None]:
    """Read the fingerprint of the machine behind a login.

    Args:
        shell: the login; ``sh`` is all it needs.
        root: prefix of ``/proc`` and ``/sys``.
        timeout_s: for the whole of it.

    Returns:
        Every key of :data:`~orchestrator.core.record.facts.MACHINE_FACTS`, in that order; ``None`` for a fact that the
        machine does not tell. The text is the machine's own and must be escaped wherever it is shown.

    Raises:
        StageError: when the machine cannot be reached.
    """
    done = shell.run(["sh", "-c", SCRIPT, "sh", root], timeout_s=timeout_s)
    told: dict[str, list[str]] = {}
    for line in done.output.split("\n"):
        key, tab, value = line.partition("\t")
        if tab and (text := value.strip()):
            told.setdefault(key, []).append(text)
    facts = _cpu(told) | _power(told) | _system(told) | _memory(told) | _devices(told)
    return {key: _cut(facts.get(key)) for key in MACHINE_FACTS}


def _cut(value: str | None) -> str | None:
    return value[:_MAX_VALUE] if value else None


def _first(told: _Told, *keys: str) -> str | None:
    return next((told[key][0] for key in keys if key in told), None)


def _joined(values: Iterable[str], separator: str = "; ") -> str | None:
    return separator.join(dict.fromkeys(values)) or None


def _switch(value: str | None, on: str = "1", off: str = "0") -> str | None:
    return {on: "on", off: "off"}.get(value or "", value)


def _cpu(told: _Told) -> dict[str, str | None]:
    numbers = [_first(told, f"cpuinfo {name}") for name in ("cpu family", "model", "stepping")]
    arm = [
        f"{name} {value}"
        for name in ("implementer", "part", "variant", "revision")
        if (value := _first(told, f"cpuinfo CPU {name}"))
    ]
    cores = told.get("core", [])
    return {
        "cpu_model": _first(told, "cpuinfo model name", "cpuinfo cpu model", "cpuinfo cpu", "cpuinfo uarch")
        or _joined(arm, ", "),
        "cpu_vendor": _first(told, "cpuinfo vendor_id", "cpuinfo vendor"),
        "cpu_family_model_stepping": " / ".join(number or "?" for number in numbers) if any(numbers) else None,
        "cpu_microcode": _first(told, "cpuinfo microcode"),
        "architecture": _first(told, "architecture"),
        "cpus_online": _first(told, "online"),
        "sockets": str(len({core.split()[0] for core in cores})) if cores else None,
        "cores": str(len(set(cores))) if cores else None,
        "threads_per_core": f"{len(cores) / len(set(cores)):.3g}" if cores else None,
        "smt": _switch(_first(told, "smt")),
        "numa_nodes": _joined(told.get("node", [])),
        "caches": _joined(told.get("cache", [])),
        "isolated_cpus": _apart(told),
    }


def _power(told: _Told) -> dict[str, str | None]:
    khz = _first(told, "max_khz")
    boost = _switch(_first(told, "boost")) or _switch(_first(told, "no_turbo"), on="0", off="1")
    return {
        "frequency_driver": _first(told, "frequency_driver"),
        "frequency_governor": _joined(told.get("governor", []), ", "),
        "frequency_preference": _joined(told.get("preference", []), ", "),
        "frequency_max": f"{int(khz) / 1000:.0f} MHz" if khz and khz.isdecimal() else khz,
        "boost": boost,
        "idle_driver": _first(told, "idle_driver"),
        "idle_states": _joined(told.get("idle_state", []), ", "),
    }


def _system(told: _Told) -> dict[str, str | None]:
    command_line = _first(told, "command_line")
    uptime = (_first(told, "uptime") or "").split()
    return {
        "mitigations": _joined(told.get("mitigation", [])),
        "kernel": _first(told, "kernel"),
        "kernel_build": _first(told, "kernel_build"),
        "kernel_command_line": _SECRET.sub(r"\1=(left out)", command_line) if command_line else None,
        "hypervisor_seen": _hypervisor(told),
        "machine": _joined(
            [value for key in ("machine_vendor", "machine_product") if (value := _first(told, key))], " "
        ),
        "firmware": _first(told, "firmware"),
        "clock_source": _first(told, "clock_source"),
        "clock_sources": _first(told, "clock_sources"),
        "kernel_tick": _tick(told.get("config", [])),
        "scheduler_groups": _switch(_first(told, "scheduler_groups")),
        "steal_clock": _steal(_first(told, "stat")),
        "cpu_limit": _first(told, "cpu_limit"),
        "os": (_first(told, "os") or "").strip("\"'") or None,
        "time_sync": _time_sync(told),
        "guest_processes": str(len(told.get("guest_process", []))) if "processes" in told else None,
        "load": _first(told, "load"),
        "uptime": f"{uptime[0]} s" if uptime else None,
    }


def _apart(told: _Told) -> str | None:
    """CPUs that the scheduler leaves alone, and those without a tick; the kernel writes ``(null)`` for no CPU."""
    kept = {"isolated": _first(told, "isolated"), "without tick": _first(told, "nohz_full")}
    if all(cpus is None for cpus in kept.values()):
        return None
    return _joined((f"{what} {cpus}" for what, cpus in kept.items() if cpus not in {None, "none", "(null)"}), ", ") or (
        "none"
    )


def _tick(options: Iterable[str]) -> str | None:
    """Of ``kernel/Kconfig.hz``, ``kernel/time/Kconfig`` and ``kernel/Kconfig.preempt``: the rate, then what is set."""
    rate, kinds = "", []
    for option in options:
        name, _, value = option.removeprefix("CONFIG_").partition("=")
        if name == "HZ":
            rate = f"{value} Hz"
        elif name in _TICK:
            kinds.append(_TICK[name])
    return _joined([*([rate] if rate else []), *kinds], ", ")


def _steal(stat: str | None) -> str | None:
    """The eighth figure of ``/proc/stat`` (proc_stat(5)): ticks that the hypervisor took."""
    fields = (stat or "").split()
    if len(fields) < 9 or fields[0] != "cpu":
        return None
    return "none was taken so far" if fields[8] == "0" else "some was taken"


def _memory(told: _Told) -> dict[str, str | None]:
    reserved, mode = _first(told, "meminfo HugePages_Total"), _first(told, "huge_pages")
    huge = [
        text for text in (f"{reserved} reserved" if reserved else "", f"transparent {mode}" if mode else "") if text
    ]
    rules = [f"{name.replace('_', ' ')} {value}" for name in _RULES if (value := _first(told, f"vm {name}"))]
    return {
        "memory": _kib(_first(told, "meminfo MemTotal")),
        "swap": _kib(_first(told, "meminfo SwapTotal")),
        "huge_pages": _joined(huge, ", "),
        "page_merging": {"2": "off, and undone"}.get(merging := _first(told, "page_merging") or "") or _switch(merging),
        "memory_rules": _joined(rules, ", "),
        "numa_balancing": _switch(_first(told, "numa_balancing")),
    }


def _devices(told: _Told) -> dict[str, str | None]:
    disks = [_disk(text) for text in told.get("disk", [])]
    halt_poll_ns = _first(told, "halt_poll_ns")
    return {
        "balloon": _joined(told.get("balloon", []), ", ") or ("none" if "bus" in told else None),
        "disks": _joined(disks) or ("none" if "block" in told else None),
        "guest_halt_polling": f"{int(halt_poll_ns) / 1000:g} us"
        if halt_poll_ns and halt_poll_ns.isdecimal()
        else halt_poll_ns,
    }


def _disk(text: str) -> str:
    """``vda: virtio_blk, scheduler none, write back, not rotating``."""
    name, *parts = text.split("|")
    told = dict(part.split(" ", 1) for part in parts if " " in part)
    words = []
    if driver := told.get("driver"):
        words.append(driver)
    if scheduler := told.get("scheduler"):
        chosen = re.search(r"\[([^]]+)\]", scheduler)
        words.append(f"scheduler {chosen[1] if chosen else scheduler}")
    if cache := told.get("write_cache"):
        words.append(cache)
    if turns := {"0": "not rotating", "1": "rotating"}.get(told.get("rotational", "")):
        words.append(turns)
    return f"{name}: {', '.join(words)}" if words else name


def _kib(value: str | None) -> str | None:
    return format_size(int(value) * 1024) if value and value.isdecimal() else value


def _hypervisor(told: _Told) -> str | None:
    kind, flags = _first(told, "hypervisor_type"), _first(told, "cpuinfo flags")
    if kind is not None:
        return f"yes ({kind})"
    if flags is None:  # only x86 processors have a flag for it
        return None
    return "yes" if "hypervisor" in flags.split() else "no"


def _time_sync(told: _Told) -> str | None:
    daemons = _joined(told.get("time_daemon", []), ", ")
    if daemons is None:
        return (
            "no daemon seen"
            if "processes" in told and "time_synchronised" not in told
            else _first(told, "time_synchronised")
        )
    return f"{daemons}, synchronised" if "time_synchronised" in told else daemons
