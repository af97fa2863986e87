"""A look from inside the guest: does it have the shape that was asked for?

One POSIX script reads a handful of files; what it prints is compared with the shape. A driver whose guests share the
kernel with their host shows its own ``/proc`` and ``/sys`` under a prefix (:meth:`Hypervisor.guest_root`).
"""

from __future__ import annotations

from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Shell
from orchestrator.errors import GuestFault
from orchestrator.units import Seconds, format_size

INSIDE_SCRIPT = r"""
root=$1
say() { if [ -r "$root$2" ] && read -r value < "$root$2"; then printf '%s=%s\n' "$1" "$value"; fi; }
say online /sys/devices/system/cpu/online
say boot_id /proc/sys/kernel/random/boot_id
say clocksource /sys/devices/system/clocksource/clocksource0/current_clocksource
say kernel /proc/sys/kernel/osrelease
if [ -r "$root/proc/meminfo" ]; then
  while read -r name value unit; do
    if [ "$name" = MemTotal: ]; then printf 'memory_kib=%s\n' "$value"; break; fi
  done < "$root/proc/meminfo"
fi
"""

_KEYS = ("online", "memory_kib", "boot_id", "clocksource", "kernel")
#: A kernel keeps some memory to itself before it counts MemTotal: a fixed part and a share of the whole.
_KERNEL_KEEPS_BYTES = 96 * 2**20
_KERNEL_KEEPS_SHARE = 0.10


def look_inside(shell: Shell, root: str, timeout_s: Seconds) -> dict[str, str]:
    """What the guest says of itself.

    Returns:
        Those of ``online``, ``memory_kib``, ``boot_id``, ``clocksource`` and ``kernel`` that it has, as text of at most
        200 characters.

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


def verify(shell: Shell, root: str, shape: Shape, timeout_s: Seconds, last_boot_id: str | None) -> dict[str, str]:
    """Look inside and insist on the shape, and on a fresh boot: a port can still answer from the guest before.

    Raises:
        GuestFault: with every difference.
    """
    seen = look_inside(shell, root, timeout_s)
    wrong = differences(seen, shape)
    if last_boot_id is not None and seen.get("boot_id") == last_boot_id:
        wrong.append("its boot id is that of the trial before, so it was not started anew")
    if wrong:
        raise GuestFault(f"seen from inside, the guest is not what was asked for: {'; '.join(wrong)}")
    return seen
