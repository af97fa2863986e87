"""The login process: the guest's and its host's SSH server, on the loopback interface only, with keys made for the run.

``python -m orchestrator.hypervisors.here.login FOLDER``; standard input and output are JSON lines (see ``machine.py``).
It ends, and ends what was started through it, when its standard input does.
"""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from orchestrator.hypervisors.here.keys import new_key, public_line
from orchestrator.hypervisors.here.lines import Lines, Message, send
from orchestrator.hypervisors.here.server import LoopbackServer
from orchestrator.hypervisors.here.sessions import GUEST, HOST
from orchestrator.hypervisors.here.tasks import Proc

#: What makes common runtimes start as many threads as the guest has vCPUs: a process guest cannot hide the host's CPUs.
_CPU_COUNT_VARIABLES = ("GOMAXPROCS", "OMP_NUM_THREADS", "PYTHON_CPU_COUNT")


def _environment(home: Path) -> dict[str, str]:
    """The variables of a fresh login, and first in its path the Python that runs this, so that there is one."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)])
    return {"HOME": str(home), "PATH": path, "LANG": "C.UTF-8", "SHELL": "/bin/sh"}


class Login:
    """Runs the server as the machine tells it, and tells the machine of every command that starts."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        home = folder / "home"
        host_key, _ = new_key()
        login_key, identity = new_key()
        (folder / "identity").touch(mode=0o600)
        (folder / "identity").write_text(identity, encoding="ascii")
        self._environment = {user: {**_environment(home), "USER": user, "LOGNAME": user} for user in (GUEST, HOST)}
        self._memory: int | None = None
        self._cpus: Sequence[int] | None = None
        self._lock = threading.Lock()
        self._host_key = public_line(host_key)
        self._server = LoopbackServer(
            host_key=host_key,
            authorized_key=login_key,
            home=home,
            on_spawn=self._spawned,
            environment=self._environment,
        )

    def serve(self) -> None:
        """Answer the machine until it ends."""
        self._server.start()
        self._say({"port": self._server.port, "host_key": self._host_key})
        lines = Lines(sys.stdin.fileno())
        try:
            while not lines.ended:
                for message in lines.read():
                    self._power(message)
        finally:
            self._end()

    def _power(self, message: Message) -> None:
        on = bool(message["on"])
        if on:
            self._memory, self._cpus = message["memory"], message["cpus"]
            self._environment[GUEST].update(dict.fromkeys(_CPU_COUNT_VARIABLES, str(message["vcpus"])))
        self._server.power(on)
        self._say({"powered": on})

    def _spawned(self, pid: int, user: str) -> None:
        if user == GUEST:
            self._limit(pid)
        self._say({"spawned": pid, "user": user})

    def _limit(self, leader: int) -> None:
        """Limit a command that has just started, and what it has forked meanwhile, until none is new."""
        proc, limited = Proc(), set[int]()
        while new := set(proc.descendants([leader])) - limited:
            for pid in new:
                with contextlib.suppress(OSError):  # it may have ended already
                    if self._memory is not None:
                        resource.prlimit(pid, resource.RLIMIT_DATA, (self._memory, self._memory))
                    if self._cpus:
                        os.sched_setaffinity(pid, self._cpus)
            limited |= new

    def _say(self, message: dict[str, Any]) -> None:
        with self._lock, contextlib.suppress(OSError):  # the machine is gone: serve() is about to notice
            send(sys.stdout.fileno(), message)

    def _end(self) -> None:
        """The machine was killed (in order, it ends this process first): end and remove all that is left of it."""
        for pid in Proc().descendants([os.getpid()])[1:]:
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        self._server.close()  # and what has left its session, or was born meanwhile
        shutil.rmtree(self._folder, ignore_errors=True)


if __name__ == "__main__":
    Login(Path(sys.argv[1])).serve()
    # Threads of connections that were open are daemons in nobody's debt: do not wait for them.
    os._exit(0)
