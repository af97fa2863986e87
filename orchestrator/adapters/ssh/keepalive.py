"""Whether the machine at the other end still answers while a command is waited for, found out by asking it.

TCP does not tell: before a frozen guest its own kernel, or a forwarder, still acknowledges every packet. So a question
of SSH's own is put to the server whenever something is waited for: a global request that wants a reply. RFC 4254,
section 4, has a server answer every such request, and one that it does not know by a refusal; both are signs of life,
and so is anything else that arrives. The name of the request is the one in common use. A login on which nothing is
waited for is left in peace: a guest that is measured by its samplers gets no packet more.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import paramiko

from orchestrator.adapters.ssh.peer import Peer
from orchestrator.engine.ports import Clock
from orchestrator.errors import StageError
from orchestrator.units import Seconds

_REQUEST = "keepalive@openssh.com"


@dataclass(frozen=True)
class Rhythm:
    """How often a machine is asked, and how long it may be silent after that: noticed after the sum of both at most.

    Attributes:
        every_s: a wait that lasts longer than this is accompanied by questions, this far apart.
        within_s: without a sign of life for so long after a question the connection is given up. Long: a guest whose
            every vCPU is busy and waits for the host answers late.
    """

    every_s: Seconds = 5.0
    within_s: Seconds = 20.0


class HeardSocket(socket.socket):
    """A connection that knows when something last arrived on it; takes over the descriptor of another.

    Attributes:
        heard_s: monotonic time of the last arrival, at first of the connection itself.
    """

    def __init__(self, link: socket.socket, clock: Clock) -> None:
        super().__init__(link.family, link.type, link.proto, fileno=link.detach())
        self._clock = clock
        self.heard_s = clock.monotonic()

    def recv(self, bufsize: int, flags: int = 0, /) -> bytes:
        """As of any socket."""
        data = super().recv(bufsize, flags)
        if data:
            self.heard_s = self._clock.monotonic()
        return data


class Keepalive:
    """Accompanies the waits on one login.

    Args:
        transport: the login; it is closed when the machine is found silent, which ends every wait on it.
        link: the connection under it.
        peer: the machine, for messages.
        clock: measures silence.
        rhythm: how often it is asked, and when it is given up.
    """

    def __init__(
        self, transport: paramiko.Transport, link: HeardSocket, peer: Peer, clock: Clock, rhythm: Rhythm
    ) -> None:
        self.every_s = rhythm.every_s
        self._within_s = rhythm.within_s
        self._transport, self._link, self._peer, self._clock = transport, link, peer, clock
        self._asking = threading.Lock()  # held while a question is open: there is one at a time
        self._asked_s = clock.monotonic()
        self._silence: tuple[str, Seconds] | None = None

    @contextmanager
    def over(self, doing: str, *, waited: bool = False) -> Iterator[None]:
        """Ask for signs of life while the block lasts.

        Args:
            doing: what is waited for, for the message.
            waited: the first question is due at once, since the wait has lasted for a while already.
        """
        done = threading.Event()
        watcher = threading.Thread(target=self._watch, args=(doing, done, waited), name="ssh keepalive", daemon=True)
        watcher.start()
        try:
            yield
        finally:
            done.set()

    def gone(self) -> StageError:
        """The error of a connection that is lost: that the machine fell silent, where that is why."""
        if self._silence is None:
            return self._peer.lost()
        # A host is waited for, since guests have to be put back there. A guest that was silent for so long is not: what
        # it did meanwhile is no measurement, and it is switched off in any case.
        doing, silent_s = self._silence
        return self._peer.silent(doing, silent_s, may_pass=self._peer.machine == "host")

    def _watch(self, doing: str, done: threading.Event, waited: bool) -> None:
        pause_s = self.every_s / 4
        if not waited and done.wait(self.every_s):
            return
        while self._transport.is_active():
            self._ask()
            # Counted from the question, not from the last sign of life: nobody has to speak unasked.
            silent_s = self._clock.monotonic() - max(self._asked_s, self._link.heard_s)
            if self._asking.locked() and silent_s >= self._within_s:
                self._silence = doing, silent_s
                self._transport.close()
                return
            if done.wait(pause_s):
                return

    def _ask(self) -> None:
        """Put a question in a thread of its own, since it may find no room to be sent, unless it is too early."""
        since_s = self._clock.monotonic() - max(self._asked_s, self._link.heard_s)
        if since_s >= self.every_s * 3 / 4 and self._asking.acquire(blocking=False):
            self._asked_s = self._clock.monotonic()
            threading.Thread(target=self._question, name="ssh keepalive question", daemon=True).start()

    def _question(self) -> None:
        try:
            with suppress(paramiko.SSHException, OSError, EOFError):  # the connection broke: whoever waits is told
                self._transport.global_request(_REQUEST, wait=True)
        finally:
            self._asking.release()
