"""The server itself: accepts connections on the loopback address, and knows whether the guest's power is on."""

from __future__ import annotations

import itertools
import logging
import secrets
import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import paramiko

from orchestrator.hypervisors.here.server import processes
from orchestrator.hypervisors.here.server.login import Connection, Login
from orchestrator.hypervisors.here.server.session import Session, Spawn
from orchestrator.hypervisors.here.server.sftp import SftpSession
from orchestrator.hypervisors.here.sessions import GUEST, HOST

ADDRESS = "127.0.0.1"
MAX_CONNECTIONS = 32
# For a client to say who it is and log in; other users of this machine can connect, too.
LOGIN_S = 20.0
ACCEPT_S = 0.5
# Longer than a session needs to end its processes (see processes.end).
JOIN_S = 3 * processes.GRACE_S

# What goes wrong with a client is the client's to report; nothing is printed into the guest's own output.
logging.getLogger("paramiko").addHandler(logging.NullHandler())


@dataclass
class _Client:
    connection: Connection
    login: Login
    looks: int = 0

    def overdue(self) -> bool:
        """Whether it has not logged in for too long; asked once every ``ACCEPT_S``."""
        self.looks += 1
        return not self.connection.is_authenticated() and self.looks > LOGIN_S / ACCEPT_S

    def gone(self) -> bool:
        """Whether nothing of it is left."""
        return not self.connection.is_active() and not self.login.busy()

    def join(self) -> None:
        """Wait for its threads; they end by themselves, and their commands with them, once the connection is closed."""
        for thread in (*self.login.busy(), self.connection):
            thread.join(JOIN_S)


class LoopbackServer:
    """An SSH server for two users, ``guest`` and ``host``, on a free port of 127.0.0.1.

    Each command runs with ``/bin/sh -c`` in ``home``, leads a session of its own and ends with its connection.

    Args:
        host_key: the server's private key.
        authorized_key: the one key that may log in; its public half is enough.
        home: working directory of commands and root of relative paths.
        on_spawn: called with process id and user right after a command was started. Those processes are waited for
            here; whoever reaps children of this process must leave them alone.
        environment: of each user's commands, by user.

    Attributes:
        port: known from the beginning; connections are taken after :meth:`start`.
    """

    def __init__(
        self,
        *,
        host_key: paramiko.PKey,
        authorized_key: paramiko.PKey,
        home: Path,
        on_spawn: Callable[[int, str], None],
        environment: Mapping[str, Mapping[str, str]],
    ) -> None:
        self._host_key = host_key
        self._authorized_key = authorized_key
        self._home = home
        self._on_spawn = on_spawn
        self._environment = environment
        self._mark = secrets.token_hex(8)
        self._numbers = itertools.count()
        self._powered = False
        self._closing = threading.Event()
        self._clients: list[_Client] = []
        self._lock = threading.Lock()
        self._listener = socket.create_server((ADDRESS, 0))
        self._listener.settimeout(ACCEPT_S)
        self.port: int = self._listener.getsockname()[1]
        self._acceptor = threading.Thread(target=self._accept, name="accept", daemon=True)

    def start(self) -> None:
        """Take connections; the guest's power is off until :meth:`power` turns it on."""
        self._acceptor.start()

    def power(self, on: bool) -> None:
        """Let the guest's user log in, or end all that it has running. Returns when that is done."""
        self._powered = on
        if not on:
            self._end(lambda client: client.login.user == GUEST)
            processes.end(processes.of_any_session(f"{self._mark}.{GUEST}."))

    def close(self) -> None:
        """End everything: connections, commands, threads, sockets. Safe to call twice."""
        self._powered = False
        self._closing.set()
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the acceptor
        if self._acceptor.is_alive():
            self._acceptor.join(JOIN_S)
        self._listener.close()
        self._end(lambda _: True)
        processes.end(processes.of_any_session(f"{self._mark}."))

    def _end(self, which: Callable[[_Client], bool]) -> None:
        with self._lock:
            clients = list(filter(which, self._clients))
        for client in clients:
            client.connection.close()
        for client in clients:
            client.join()

    def _accept(self) -> None:
        while not self._closing.is_set():
            try:
                connected, _ = self._listener.accept()
            except TimeoutError:
                connected = None
            except OSError:
                self._closing.wait(ACCEPT_S)  # closing; or out of descriptors, and others may be given back
                continue
            self._tidy()
            if connected is not None:
                self._take(connected)

    def _tidy(self) -> None:
        for client in self._clients:
            if client.overdue():
                client.connection.close()
        with self._lock:
            self._clients = [client for client in self._clients if not client.gone()]

    def _take(self, connected: socket.socket) -> None:
        if len(self._clients) >= MAX_CONNECTIONS:
            connected.close()
            return
        connected.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection = Connection(connected)
        connection.banner_timeout = LOGIN_S
        connection.add_server_key(self._host_key)
        login = Login(connection, self._authorized_key, self._allowed, self._open_session)
        connection.set_subsystem_handler("sftp", SftpSession, home=self._home, free=frozenset({HOST}))
        with self._lock:
            self._clients.append(_Client(connection, login))
        connection.start_server(event=threading.Event(), server=login)

    def _allowed(self, user: str) -> bool:
        return user in self._environment and (user == HOST or (user == GUEST and self._powered))

    def _open_session(self, channel: paramiko.Channel, command: bytes, user: str) -> Session:
        mark = f"{self._mark}.{user}.{next(self._numbers)}"
        spawn = Spawn(self._home, self._environment[user], mark, lambda pid: self._on_spawn(pid, user))
        return Session(channel, command, spawn)
