"""Leases as they stand on a host: what the keeper tells of them, which anybody may have written."""

from __future__ import annotations

import getpass
import json
import os
import re
import socket
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.adapters.leases.keeper import Keeper
from orchestrator.engine.ports import Lease, LeaseState
from orchestrator.units import Seconds

#: Common practice, no published source: six heartbeats, so that a slow login or a busy host is not taken for death.
STALE_S: Seconds = 60.0
#: A keeper dates what was not given back in 1970.
_ABANDONED_BEFORE_S = 10 * 86400
#: It becomes part of a file's name, and anybody may have written it.
_TOKEN = re.compile("[0-9a-f]{1,64}")


@dataclass(frozen=True)
class Standing:
    """A lease, and what tells it from another of the same name; empty for a file that tells nothing."""

    lease: Lease
    token: str


def look(keeper: Keeper, stale_s: Seconds = STALE_S) -> list[Standing]:
    """Every lease in the keeper's folder, by name."""
    return read(keeper.ask("look"), stale_s)


def read(answer: Sequence[str], stale_s: Seconds = STALE_S) -> list[Standing]:
    """What a keeper's look told; what is no lease at all is shown as one without an owner."""
    now_s, found = 0.0, []
    for line in answer:
        kind, _, rest = line.partition(" ")
        if kind == "now":
            now_s = _number(rest)
        elif kind == "lease":
            name, _, dated = rest.partition(" ")
            beaten, _, text = dated.partition(" ")
            found.append(_standing(name, _number(beaten), now_s, text, stale_s))
    return sorted(found, key=lambda standing: standing.lease.name)


def own_process() -> tuple[str, int]:
    """This process as a lease names it: ``user@machine``, and its number there."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):  # a user without a name, as in a container
        user = str(os.getuid())
    return f"{user}@{socket.gethostname()}", os.getpid()


def has_ended(lease: Lease) -> bool:
    """Whether the holder is known to have ended: it said so, fell silent, or was a process of this machine."""
    owner, _ = own_process()
    return lease.state != "held" or (lease.owner == owner and lease.pid is not None and not _runs(lease.pid))


def _standing(name: str, beaten_s: Seconds, now_s: Seconds, text: str, stale_s: Seconds) -> Standing:
    told = _mapping(text)
    pid = told.get("pid")
    lease = Lease(
        name=name,
        owner=str(told.get("owner", "")),
        pid=pid if isinstance(pid, int) and pid > 0 else None,
        run=str(told.get("run", "")),
        title=str(told.get("title", "")),
        guest=str(told.get("guest", "")),
        since_utc=str(told.get("since", "")),
        # A clock that was set back makes the last heartbeat lie ahead: nothing is known then but that there was one.
        silent_s=max(now_s - beaten_s, 0.0),
        state=_state(beaten_s, now_s, stale_s),
    )
    token = str(told.get("token", ""))
    return Standing(lease, token if _TOKEN.fullmatch(token) else "")


def _state(beaten_s: Seconds, now_s: Seconds, stale_s: Seconds) -> LeaseState:
    if beaten_s < _ABANDONED_BEFORE_S:
        return "abandoned"
    return "stale" if now_s - beaten_s > stale_s else "held"


def _mapping(text: str) -> Mapping[str, Any]:
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) else {}


def _number(text: str) -> float:
    try:
        return float(int(text[:18]))
    except ValueError:
        return 0.0


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        pass  # somebody else's
    return True
