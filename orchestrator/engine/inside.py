"""A look from inside the guest: does it have the shape that was asked for, and was it started for this trial?

One POSIX script reads a handful of files; what it prints is compared with the shape. A driver whose guests share the
kernel with their host shows its own ``/proc`` and ``/sys`` under a prefix (:meth:`Hypervisor.guest_root`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Clock, Shell
from orchestrator.errors import GuestFault
from orchestrator.units import Seconds, format_duration, format_size

INSIDE_SCRIPT = r"""
root=$1
say() { if [ -r "$root$2" ] && read -r value < "$root$2"; then printf '%s=%s\n' "$1" "$value"; fi; }
say online /sys/devices/system/cpu/online
say boot_id /proc/sys/kernel/random/boot_id
say clocksource /sys/devices/system/clocksource/clocksource0/current_clocksource
say kernel /proc/sys/kernel/osrelease
if [ -r "$root/proc/uptime" ] && read -r up idle < "$root/proc/uptime"; then printf 'uptime_s=%s\n' "$up"; fi
if [ -r "$root/proc/meminfo" ]; then
  while read -r name value unit; do
    if [ "$name" = MemTotal: ]; then printf 'memory_kib=%s\n' "$value"; break; fi
  done < "$root/proc/meminfo"
fi
"""

_NUMBER = re.compile(r"\d{1,15}(\.\d{1,9})?", re.ASCII)
_KEYS = ("online", "memory_kib", "boot_id", "uptime_s", "clocksource", "kernel")
#: A kernel keeps some memory to itself before it counts MemTotal: a fixed part and a share of the whole.
_KERNEL_KEEPS_BYTES = 96 * 2**20
_KERNEL_KEEPS_SHARE = 0.10
#: A guest's clock may run a little fast, and starts to count a moment before or after its power-on is acknowledged.
_UPTIME_SLACK_S, _UPTIME_SLACK_SHARE = 2.0, 0.01


@dataclass(frozen=True)
class PowerOn:
    """The power-on that a guest should come from.

    Attributes:
        clock: the controller's.
        at_s: its monotonic time when the hypervisor was asked to start the guest.
        last_boot_id: of the guest seen in the trial before; ``None`` where there was none.
    """

    clock: Clock
    at_s: Seconds
    last_boot_id: str | None = None


def look_inside(shell: Shell, root: str, timeout_s: Seconds) -> dict[str, str]:
    """What the guest says of itself.

    Returns:
        Those of ``online``, ``memory_kib``, ``boot_id``, ``uptime_s``, ``clocksource`` and ``kernel`` that it has, as
        text of at most 200 characters.

    Raises:
        GuestFault: the guest did not run the script.
    """
    done = shell.run(["sh", "-c", INSIDE_SCRIPT, "sh", root], timeout_s=timeout_s)
    if done.status != 0:
        raise GuestFault(
            f"the script that looks at the guest's size ended with exit status {done.status}: {done.errors[:200]}"
        )
    pairs = (line.partition("=") for line in done.output.splitlines())
    return {key: value.strip()[:200] for key, mark, value in pairs if mark and key in _KEYS}


def count_cpus(ranges: str) -> int:
    """The number of CPUs in the kernel's list format, such as ``0-3,6``.

    Raises:
        ValueError: the text is not such a list.
    """
    total = 0
    for part in ranges.split(","):
        first, _, last = part.partition("-")
        total += int(last or first) - int(first) + 1
    return total


def differences(seen: dict[str, str], shape: Shape) -> list[str]:
    """Where the guest seen from inside differs from the shape asked for; empty when it does not."""
    found: list[str] = []
    try:
        online = count_cpus(seen["online"])
    except (KeyError, ValueError):
        found.append("it does not tell how many CPUs are online")
    else:
        if online != shape.vcpus:
            found.append(
                f"{online} {'CPU is' if online == 1 else 'CPUs are'} online where {shape.vcpus} were asked for"
            )
    total = seen.get("memory_kib", "")
    least = shape.memory * (1 - _KERNEL_KEEPS_SHARE) - _KERNEL_KEEPS_BYTES
    if not total.isdecimal():
        found.append("it does not tell how much memory it has")
    elif not least <= int(total) * 1024 <= shape.memory:
        found.append(
            f"it has {format_size(int(total) * 1024)} of memory where {format_size(shape.memory)} were asked for"
        )
    return found


def verify(shell: Shell, root: str, shape: Shape, timeout_s: Seconds, power_on: PowerOn) -> dict[str, str]:
    """Look inside and insist on the shape and on the power-on: a port can still answer from an old guest.

    Returns:
        What the guest says of itself; see :func:`look_inside`.

    Raises:
        GuestFault: with every difference.
    """
    seen = look_inside(shell, root, timeout_s)
    wrong = differences(seen, shape) + _older(seen, power_on)
    if wrong:
        raise GuestFault(f"seen from inside, the guest is not what was asked for: {'; '.join(wrong)}")
    return seen


def _older(seen: dict[str, str], power_on: PowerOn) -> list[str]:
    """Signs that this is not the guest that was started; a process guest may have neither boot id nor uptime."""
    found: list[str] = []
    if power_on.last_boot_id is not None and seen.get("boot_id") == power_on.last_boot_id:
        found.append("its boot id is that of the trial before, so it was not started anew")
    since_s = power_on.clock.monotonic() - power_on.at_s
    up_s = seen.get("uptime_s", "")
    if _NUMBER.fullmatch(up_s) and float(up_s) > since_s * (1 + _UPTIME_SLACK_SHARE) + _UPTIME_SLACK_S:
        found.append(
            f"it has been up for {format_duration(float(up_s))} and was started {format_duration(since_s)} ago: "
            "another guest, or an old one, answers at this address"
        )
    return found
