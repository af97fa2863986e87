"""Whether the process that writes a run still lives: told by its lock, and from elsewhere by its sign of life."""

from __future__ import annotations

import socket
from contextlib import suppress
from pathlib import Path

from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.store.layout import RunFolder, instant
from orchestrator.adapters.store.lock import is_held
from orchestrator.core.record.alive import HEARD_OF_WITHIN_S, Alive, same_machine
from orchestrator.errors import StoreError
from orchestrator.units import Seconds

#: Clocks of two machines that are set by the network differ by less.
_CLOCKS_DIFFER_BY_S = 10.0


def sign_of_life(folder: RunFolder) -> Alive | None:
    """The last one; ``None`` where there is none that can be read."""
    with suppress(StoreError):
        return load(Alive, folder.alive)
    return None


def lives(folder: RunFolder, alive: Alive | None, now_s: Seconds | None) -> bool:
    """Whether a process is at work on a run.

    On the machine of that process its lock tells, which ends with it. On another one that sees the same folder the lock
    may not be seen, and a young sign of life is believed.

    Args:
        folder: the run's.
        alive: its last sign of life.
        now_s: seconds since 1970; ``None`` where the time is not known, and only the lock is asked.
    """
    if is_held(folder.lock):
        return True
    if alive is None or now_s is None or same_machine(alive, socket.gethostname(), boot_id()):
        return False
    silent_s = now_s - instant(alive.time_utc).timestamp()
    return -_CLOCKS_DIFFER_BY_S <= silent_s < HEARD_OF_WITHIN_S


def boot_id() -> str | None:
    """Which start of this machine this is (random(4)); ``None`` where it does not tell."""
    with suppress(OSError, ValueError):
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip() or None
    return None
