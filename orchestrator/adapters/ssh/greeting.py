"""The first connection on which a server greets, of several that are opened one after the other.

A forwarder accepts connections for a guest that is still booting, and passes nothing on: one opened too early stays
silent, or is noticed late, while a new one is answered at once. A server that is slow to start, though, must be given
its time. So connections are added at a growing pace, a few are kept waiting side by side, and none is given up before
three seconds have passed. Against a server that answers there is only ever one.
"""

from __future__ import annotations

import errno
import os
import selectors
import socket
from collections import deque
from typing import Any

from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds

#: So many wait side by side: servers refuse too many that have not logged in (OpenSSH: from 10 on, sshd_config(5)).
_SIDE_BY_SIDE = 4
#: The pause between two grows with the time spent, and each lives for as many pauses as there are side by side.
_FIRST_PAUSE_S: Seconds = 0.75
_PAUSE_SHARE = 1 / 8
_UNDER_WAY = {0, errno.EINPROGRESS, errno.EWOULDBLOCK, errno.EINTR}

_Address = tuple[Any, ...]


class SilentError(OSError):
    """Connections were accepted, and nothing was said on any of them."""

    def __init__(self, waited_s: Seconds) -> None:
        super().__init__(f"nothing was said for {waited_s:.3g} s")
        self.waited_s = waited_s


class ClosedError(OSError):
    """The connection was accepted and closed without a word."""


def first_to_greet(family: int, address: _Address, clock: Clock, timeout_s: Seconds) -> socket.socket:
    """Connect and wait for the first byte of a greeting, without taking it.

    Returns:
        The connection, blocking.

    Raises:
        SilentError: connections were accepted and nothing was said in time.
        ClosedError: the last one that was open was closed.
        TimeoutError: none was accepted in time.
        OSError: none could be opened.
    """
    with selectors.DefaultSelector() as selector:
        race = _Race(selector, family, address, clock)
        try:
            return race.run(timeout_s)
        finally:
            race.close()


class _Race:
    def __init__(self, selector: selectors.BaseSelector, family: int, address: _Address, clock: Clock) -> None:
        self._selector, self._family, self._address, self._clock = selector, family, address, clock
        self._open: deque[socket.socket] = deque()
        self._problem: OSError | None = None
        self._accepted = False

    def run(self, timeout_s: Seconds) -> socket.socket:
        began_s = self._clock.monotonic()
        next_s = 0.0
        while (spent_s := self._clock.monotonic() - began_s) < timeout_s:
            if spent_s >= next_s:
                self._add()
                next_s = spent_s + max(_FIRST_PAUSE_S, spent_s * _PAUSE_SHARE)
            for key, _ in self._selector.select(max(min(next_s, timeout_s) - spent_s, 0.0)):
                link = key.fileobj
                if isinstance(link, socket.socket) and self._greets(
                    link, connecting=key.events == selectors.EVENT_WRITE
                ):
                    self._forget(link)
                    link.setblocking(True)
                    return link
            if not self._open and self._problem is not None:
                raise self._problem
        raise SilentError(timeout_s) if self._accepted else TimeoutError(errno.ETIMEDOUT, os.strerror(errno.ETIMEDOUT))

    def close(self) -> None:
        """Close what is still open; the winner is not among it."""
        while self._open:
            self._drop(self._open[0])

    def _add(self) -> None:
        if len(self._open) >= _SIDE_BY_SIDE:
            self._drop(self._open[0])
        link = socket.socket(self._family, socket.SOCK_STREAM)
        link.setblocking(False)
        code = link.connect_ex(self._address)
        self._open.append(link)
        self._selector.register(link, selectors.EVENT_WRITE)
        if code not in _UNDER_WAY:
            self._fail(link, OSError(code, os.strerror(code)))

    def _greets(self, link: socket.socket, *, connecting: bool) -> bool:
        """Whether a connection on which something happened has a greeting to read."""
        if connecting:
            code = link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if code:
                self._fail(link, OSError(code, os.strerror(code)))
            else:
                self._accepted = True
                self._selector.modify(link, selectors.EVENT_READ)
            return False
        try:
            if link.recv(1, socket.MSG_PEEK):
                return True
        except BlockingIOError:
            return False
        except OSError as error:
            self._fail(link, error)
            return False
        self._fail(link, ClosedError("closed without a word"))
        return False

    def _fail(self, link: socket.socket, problem: OSError) -> None:
        self._problem = problem
        self._drop(link)

    def _drop(self, link: socket.socket) -> None:
        self._forget(link)
        link.close()

    def _forget(self, link: socket.socket) -> None:
        self._selector.unregister(link)
        self._open.remove(link)
