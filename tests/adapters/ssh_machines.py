"""Machines to log in to: a real SSH server in a process of its own, to be frozen and killed, and sockets that lie."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.adapters.ssh.keepalive import Rhythm
from orchestrator.adapters.ssh.shell import SshShell
from orchestrator.core.design.lab import SshAccess
from orchestrator.hypervisors.here.keys import new_key, public_line

# What goes wrong in the server is in the output of the test that fails for it.
_SERVER = """
import logging, os, pathlib, sys
logging.basicConfig(level=logging.WARNING)
import paramiko
from orchestrator.hypervisors.here.server import LoopbackServer
folder = pathlib.Path(sys.argv[1])
server = LoopbackServer(
    host_key=paramiko.Ed25519Key.from_private_key_file(str(folder / "host_key")),
    authorized_key=paramiko.Ed25519Key.from_private_key_file(str(folder / "identity")),
    home=folder / "home",
    on_spawn=lambda pid, user: None,
    environment={user: {"PATH": os.environ["PATH"], "HOME": str(folder / "home")} for user in ("guest", "host")},
)
server.start()
server.power(True)
print(server.port, flush=True)
sys.stdin.read()
server.close()
"""

_INIT = """
import ctypes, os, signal, sys
ctypes.CDLL(None).prctl(36, 1, 0, 0, 0)
child = os.spawnv(os.P_NOWAIT, sys.argv[1], sys.argv[1:])
signal.signal(signal.SIGTERM, lambda *_: os.kill(child, signal.SIGTERM))
while os.wait()[0] != child:
    pass
"""
# Before a server's command, does what a machine's first process does, and that of a container often does late: orphans
# are taken in and waited for at once (prctl(2), PR_SET_CHILD_SUBREAPER). Until then one that has been ended still
# counts as one that heeds no signal, which its command's supervisor gives a second.
INIT = (sys.executable, "-ISc", _INIT)


class Machine:
    """A server process; ``freeze`` and ``kill`` do to it what may happen to a guest.

    They reach the process that was started: under :data:`INIT` that is not the server.
    """

    def __init__(self, folder: Path, under: Sequence[str] = ()) -> None:
        self.folder = folder
        (folder / "home").mkdir()
        host_key, host_text = new_key()
        _, login_text = new_key()
        for name, text in (("host_key", host_text), ("identity", login_text)):
            (folder / name).touch(mode=0o600)
            (folder / name).write_text(text)
        self.host_key = public_line(host_key)
        self.process = subprocess.Popen(
            [*under, sys.executable, "-c", _SERVER, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def access(self, **changes: object) -> SshAccess:
        told = {
            "address": "127.0.0.1",
            "port": self.port,
            "user": "guest",
            "identity": str(self.folder / "identity"),
            "host-key": self.host_key,
            **changes,
        }
        return SshAccess.model_validate({name: value for name, value in told.items() if value is not None})

    def login(self, *, timeout_s: float = 10, rhythm: Rhythm | None = None, **changes: object) -> SshShell:
        return connect(self.access(**changes), timeout_s, rhythm=rhythm)

    def freeze(self) -> None:
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self.process.send_signal(signal.SIGCONT)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def most_memory_kib(self) -> int:
        """The most that the server has held in memory (VmHWM of proc(5))."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0])

    def close(self) -> None:
        self.thaw()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise


def connect(access: SshAccess, timeout_s: float = 10, machine: str = "guest", rhythm: Rhythm | None = None) -> SshShell:
    return SshConnector(SystemClock(), rhythm).connect(access, machine=machine, timeout_s=timeout_s)


@contextmanager
def liar(behave: Callable[[socket.socket, threading.Event], None]) -> Iterator[int]:
    """A listener that does to each connection what it is told; the event says that the test is over."""
    over = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(10)

        def serve() -> None:
            try:
                link, _ = listener.accept()
            except OSError:
                return
            with link:
                behave(link, over)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield listener.getsockname()[1]
        over.set()
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(10)


def says(greeting: bytes, *, then_closes: bool = False) -> Callable[[socket.socket, threading.Event], None]:
    def behave(link: socket.socket, over: threading.Event) -> None:
        link.sendall(greeting)
        if not then_closes:
            over.wait(30)

    return behave
