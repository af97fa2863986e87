"""The few files that tell from inside a guest which shape it has, as ``/proc`` and ``/sys`` do in a machine."""

from __future__ import annotations

import uuid
from pathlib import Path

from orchestrator.units import Bytes


def write_root(root: Path, *, vcpus: int, memory: Bytes) -> str:
    """Write the files anew, as a boot does; formats of the kernel's ``filesystems/proc.rst`` and ``cputopology.rst``.

    Returns:
        The new boot's id.
    """
    boot_id = str(uuid.uuid4())
    content = {
        "sys/devices/system/cpu/online": f"0-{vcpus - 1}\n" if vcpus > 1 else "0\n",
        "proc/meminfo": f"MemTotal:       {memory // 1024:>8} kB\n",
        "proc/sys/kernel/random/boot_id": f"{boot_id}\n",
    }
    for name, text in content.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="ascii")
    return boot_id
