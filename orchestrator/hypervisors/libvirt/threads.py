"""The host threads of a guest's vCPUs, found in /proc by the guest's uuid."""

from __future__ import annotations

import re
from collections.abc import Mapping

from orchestrator.engine.ports import Shell

#: QEMU names a vCPU's thread ``CPU N/KVM`` or ``CPU N/TCG``, and libvirt passes ``-uuid`` on its command line. The
#: ``read`` of dash, bash and busybox leaves out the NULs between arguments, so that no program is started per process.
_SCRIPT = """
for process in /proc/[0-9]*; do
  line=
  { read -r line < "$process/cmdline"; } 2>/dev/null
  case $line in *"-uuid$1-"*) ;; *) continue ;; esac
  for thread in "$process"/task/[0-9]*; do
    name=
    { read -r name < "$thread/comm"; } 2>/dev/null
    case $name in "CPU "*/*) printf '%s %s\\n' "$name" "$thread" ;; esac
  done
done
"""
_FOUND = re.compile(r"CPU (\d{1,5})/\S+ (/proc/(\d+)/task/\d+)")


def vcpu_threads(host: Shell, uuid: str) -> Mapping[int, str]:
    """The schedstat file of each vCPU's thread.

    Args:
        host: a login on the host.
        uuid: of the guest.

    Returns:
        vCPU number to path; empty when no process, or more than one, claims to be this guest.

    Raises:
        StageError: the host cannot be reached.
    """
    done = host.run(["sh", "-c", _SCRIPT, "sh", uuid])
    matches = [match for match in map(_FOUND.fullmatch, done.output.splitlines()) if match]
    if len({match[3] for match in matches}) != 1:
        return {}
    return {int(match[1]): f"{match[2]}/schedstat" for match in matches}
