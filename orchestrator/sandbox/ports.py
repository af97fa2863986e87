"""TCP ports on the loopback address."""

from __future__ import annotations

import socket
from collections.abc import Collection

from orchestrator.errors import SandboxError
from orchestrator.units import Seconds

LOOPBACK = "127.0.0.1"
_ATTEMPTS = 100
_SILENT_AFTER_S = 1.0


def free_port(avoid: Collection[int] = ()) -> int:
    """A port that nothing listens on now, chosen by the system. Raises SandboxError when there is none."""
    for _ in range(_ATTEMPTS):
        try:
            with socket.create_server((LOOPBACK, 0)) as listener:
                port: int = listener.getsockname()[1]
        except OSError as error:
            raise SandboxError(f"there is no free port on {LOOPBACK}: {error.strerror}") from error
        if port not in avoid:
            return port
    raise SandboxError(f"there is no free port on {LOOPBACK}")


def is_free(port: int) -> bool:
    """Whether a listener could be had on the port now."""
    try:
        with socket.create_server((LOOPBACK, port)):
            return True
    except OSError:
        return False


def greeting(port: int, timeout_s: Seconds = _SILENT_AFTER_S) -> bytes:
    """The first bytes that a server says; empty when nothing listens or it says nothing in time."""
    try:
        with socket.create_connection((LOOPBACK, port), timeout_s) as link:
            return link.recv(64)
    except OSError:
        return b""


def accepts(path: str) -> bool:
    """Whether something listens on a Unix socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
        link.settimeout(_SILENT_AFTER_S)  # a daemon that has stopped leaves callers in its queue
        try:
            link.connect(path)
        except OSError:
            return False
        return True
