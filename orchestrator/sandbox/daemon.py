"""A libvirt daemon of the sandbox's own: everything that it keeps is in the sandbox's folder."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from urllib.parse import quote

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.ports import accepts
from orchestrator.sandbox.processes import ProcessId, alive, find, start_detached, write_as
from orchestrator.sandbox.requirements import DAEMONS, need
from orchestrator.sandbox.waiting import wait_until

_START_S = 30.0
_WORDS = 6  # lines of a log that a message shows

_DAEMON_CONFIG = """\
# A host of its own: without this, every daemon on one machine reports the same host.
host_uuid = "{host_uuid}"
log_level = 3
log_outputs = "3:stderr"
"""
_QEMU_CONFIG = """\
# Consoles are written by QEMU itself, so that no log daemon has to be started beside this one.
stdio_handler = "file"
security_driver = "none"
"""


def uri_of(socket: str) -> str:
    """The address of the daemon behind a socket."""
    return f"qemu+unix:///session?socket={quote(socket)}"


def start_daemon(layout: Layout, guests: Account, host_uuid: str) -> tuple[ProcessId, str]:
    """Start the daemon; it outlives this program.

    Args:
        layout: with its folders made.
        guests: whom it and the guests run as.
        host_uuid: of the host that it claims to be.

    Returns:
        The process, and the socket that it will listen on.

    Raises:
        SandboxError: it cannot be started, or its configuration not be written.
    """
    program = need(*DAEMONS)
    name = Path(program).name
    config = layout.root / "cfg/libvirt" / f"{name}.conf"
    write_as(guests, config, _DAEMON_CONFIG.format(host_uuid=host_uuid))
    write_as(guests, config.with_name("qemu.conf"), _QEMU_CONFIG)
    socket = layout.root / "run/libvirt" / ("libvirt-sock" if name == "libvirtd" else f"{name}-sock")
    environment = {"PATH": _search_path(), "LC_ALL": "C.UTF-8", "USER": guests.name, "LOGNAME": guests.name}
    with layout.daemon_log.open("ab") as log:
        os.fchmod(log.fileno(), 0o600)
        process = start_detached(
            [program, "--config", str(config)], guests, environment | layout.daemon_environment, log
        )
    return process, str(socket)


def wait_for_daemon(layout: Layout, process: ProcessId, socket: str, clock: Clock) -> None:
    """Return once the daemon listens. Raises SandboxError when it has ended or does not come up in time."""
    wait_until(lambda: accepts(socket) or not alive(process), clock, _START_S)
    if not accepts(socket):
        how = f"does not listen on {socket} after {_START_S:.0f} s" if alive(process) else "ended at once"
        raise SandboxError(f"the libvirt daemon {how}; its last words:\n{last_words(layout.daemon_log)}")


def lost_daemons(layout: Layout, guests: Account) -> list[ProcessId]:
    """Daemons of this folder, found by their command line."""
    return find(DAEMONS, f"{layout.root}/cfg/libvirt/", {guests.uid})


def lost_guests(layout: Layout, guests: Account) -> list[ProcessId]:
    """Guests of this folder that run, found by the kernel that they were started with."""
    return find(("qemu-system",), f"{layout.images}/", {guests.uid})


def last_words(log: Path) -> str:
    """The end of a log, indented; what in it is not text is shown as escapes."""
    try:
        lines = log.read_text("utf-8", "backslashreplace").splitlines()
    except OSError:
        lines = []
    return "\n".join(f"  {printable(line)}" for line in lines[-_WORDS:] or ["(nothing)"])


def _search_path() -> str:
    known = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
    emulator = shutil.which("qemu-system-x86_64")
    return known if emulator is None else f"{Path(emulator).parent}:{known}"
