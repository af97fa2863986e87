"""vCPUs that were plugged into a running guest are brought online in it.

A Linux guest sees a plugged CPU as offline until somebody writes 1 to its ``online`` file (kernel documentation,
core-api/cpu_hotplug); some distributions have a rule that does it, others do not.
"""

from __future__ import annotations

from orchestrator.engine.inside import count_cpus
from orchestrator.engine.ports import Clock, Shell
from orchestrator.errors import GuestFault
from orchestrator.units import Seconds, format_duration

ONLINE_SCRIPT = r"""
root=$1
cpus=$root/sys/devices/system/cpu
for file in "$cpus"/cpu[0-9]*/online; do
  [ -r "$file" ] && read -r state < "$file" && [ "$state" = 0 ] || continue
  said=$({ echo 1 > "$file"; } 2>&1) && continue
  said=$said$({ echo 1 | sudo -n tee "$file" > /dev/null; } 2>&1) && continue
  name=${file%/online}
  printf 'refused=%s: %s\n' "${name##*/}" "$(echo "$said" | tr '\n' ' ')"
done
read -r online < "$cpus/online" && printf 'online=%s\n' "$online"
"""

_WITHIN_S: Seconds = 10.0
_PAUSE_S: Seconds = 0.2


def bring_online(shell: Shell, root: str, vcpus: int, clock: Clock) -> None:
    """Bring every CPU online that the guest has, and wait until there are as many as were plugged in.

    Args:
        shell: a login in the guest that may write under ``/sys``, itself or by ``sudo`` without a password.
        root: prefix of ``/sys`` in the guest.
        vcpus: how many there should be.
        clock: bounds the wait (10 s).

    Raises:
        GuestFault: with how far it came, and what to do.
    """
    until_s = clock.monotonic() + _WITHIN_S
    while True:
        online, refused = _try(shell, root)
        if online >= vcpus:
            return
        if clock.monotonic() >= until_s:
            raise GuestFault(
                f"{online} of {vcpus} vCPUs came online within {format_duration(_WITHIN_S)} of being plugged in: "
                f"{_reason(refused)}"
            )
        clock.sleep(_PAUSE_S)


def _try(shell: Shell, root: str) -> tuple[int, str]:
    """Returns the number of CPUs that are online now, and why another could not be brought there."""
    done = shell.run(["sh", "-c", ONLINE_SCRIPT, "sh", root])
    told = dict(line.split("=", 1) for line in reversed(done.output.splitlines()) if "=" in line)
    try:
        return count_cpus(told["online"]), told.get("refused", "")[:200].strip()
    except (KeyError, ValueError) as error:
        said = (done.errors.strip() or done.output.strip())[:200]
        raise GuestFault(f"the guest does not tell how many CPUs are online; it said: {said!r}") from error


def _reason(refused: str) -> str:
    if refused:
        return (
            f"the guest refused ({refused}); log in as root, allow the user 'sudo -n tee' on "
            "/sys/devices/system/cpu/*/online, or measure with reshape: cold"
        )
    return (
        "its kernel does not show the others, so it has no hot-plug of CPUs (CONFIG_HOTPLUG_CPU and "
        "CONFIG_ACPI_HOTPLUG_CPU on x86); measure with reshape: cold"
    )
