"""A server of the process guest in the test's own process, and raw logins to it."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paramiko

from orchestrator.hypervisors.here.keys import new_key
from orchestrator.hypervisors.here.server import LoopbackServer


class Subject:
    """A server in this process, and raw logins to it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.home = folder, folder / "home"
        self.home.mkdir()
        self.host_key, _ = new_key()
        self.login_key, text = new_key()
        (folder / "identity").touch(mode=0o600)
        (folder / "identity").write_text(text)
        self.spawned: list[tuple[int, str]] = []
        self.server = LoopbackServer(
            host_key=self.host_key,
            authorized_key=self.login_key,
            home=self.home,
            on_spawn=self.note,
            environment={user: {"PATH": os.environ["PATH"], "WHO": user} for user in ("guest", "host")},
        )
        self._transports: list[paramiko.Transport] = []

    def note(self, pid: int, user: str) -> None:
        self.spawned.append((pid, user))

    def login(self, user: str = "guest", key: paramiko.PKey | None = None) -> paramiko.Transport:
        transport = paramiko.Transport(socket.create_connection(("127.0.0.1", self.server.port), 10))
        self._transports.append(transport)
        transport.start_client(timeout=10)
        assert transport.get_remote_server_key() == self.host_key
        transport.auth_publickey(user, key or self.login_key)
        return transport

    def start(self, transport: paramiko.Transport, command: str) -> paramiko.Channel:
        channel = transport.open_session(timeout=10)
        channel.settimeout(10)
        channel.exec_command(command)
        return channel

    def close(self) -> None:
        for transport in self._transports:
            transport.close()
            transport.join(5)
        self.server.close()


@contextmanager
def serving(folder: Path) -> Iterator[Subject]:
    """A server with its power on."""
    made = Subject(folder)
    made.server.start()
    made.server.power(True)
    try:
        yield made
    finally:
        made.close()


def read_all(channel: paramiko.Channel) -> bytes:
    data = b""
    while received := channel.recv(65536):
        data += received
    return data


def status_of(channel: paramiko.Channel) -> int:
    assert channel.status_event.wait(10)
    return channel.exit_status


def eventually(true: Callable[[], bool], within_s: float = 10.0) -> bool:
    end_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(") ")[2][0] not in "ZX"
    except OSError:
        return False
