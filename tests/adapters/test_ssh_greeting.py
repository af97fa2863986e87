"""The first connection that is greeted: forwarders that open too early, servers that are slow, ports that are shut."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh.greeting import ClosedError, SilentError, first_to_greet

pytestmark = pytest.mark.real

GREETING = b"SSH-2.0-Saltmarsh\r\n"


@dataclass
class Forwarder:
    """A listener that hands each connection, with its number and its age of the listener, to a behaviour."""

    behave: Callable[[socket.socket, int, float], None]
    held: list[socket.socket] = field(default_factory=list)
    most_open: int = 0

    def __post_init__(self) -> None:
        self.began_s = time.monotonic()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.address = self.listener.getsockname()
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                link, _ = self.listener.accept()
                self.held.append(link)
                self.most_open = max(self.most_open, sum(map(_is_open, self.held)))
                self.behave(link, len(self.held), time.monotonic() - self.began_s)

    def close(self) -> None:
        self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.thread.join(5)
        for link in self.held:
            link.close()


def _is_open(link: socket.socket) -> bool:
    try:
        return link.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


@contextlib.contextmanager
def forwarder(behave: Callable[[socket.socket, int, float], None]) -> Iterator[Forwarder]:
    made = Forwarder(behave)
    try:
        yield made
    finally:
        made.close()


def later(link: socket.socket, after_s: float) -> None:
    def greet() -> None:
        with contextlib.suppress(OSError):
            link.sendall(GREETING)

    threading.Timer(after_s, greet).start()


def greeted(made: Forwarder, timeout_s: float = 10.0) -> float:
    """Seconds until a connection was greeted; its greeting is still there to be read, by blocking calls."""
    began_s = time.monotonic()
    link = first_to_greet(socket.AF_INET, made.address, SystemClock(), timeout_s)
    took_s = time.monotonic() - began_s
    with link:
        assert link.getblocking()
        assert link.recv(100) == GREETING
    return took_s


def test_a_server_that_answers_is_asked_once() -> None:
    with forwarder(lambda link, _number, _age_s: link.sendall(GREETING)) as made:
        assert greeted(made) < 0.7
        assert len(made.held) == 1


def test_a_guest_that_gets_ready_behind_a_forwarder_is_noticed_within_a_second() -> None:
    """What QEMU's user network does: connections of before are lost in it, a new one is answered at once."""
    ready_s = 1.6

    def behave(link: socket.socket, _number: int, age_s: float) -> None:
        if age_s >= ready_s:
            link.sendall(GREETING)

    with forwarder(behave) as made:
        assert ready_s - 0.1 < greeted(made) < ready_s + 1.1


def test_a_slow_server_is_given_its_time() -> None:
    """Each connection is greeted 2.5 s after it was opened: probing more often than that must not start it anew."""
    with forwarder(lambda link, _number, _age_s: later(link, 2.5)) as made:
        assert 2.4 < greeted(made) < 3.5
        assert len(made.held) <= 4


def test_only_a_few_wait_side_by_side_and_the_pace_slows_down() -> None:
    with forwarder(lambda *_: None) as made:
        with pytest.raises(SilentError, match="nothing was said for 5 s"):
            first_to_greet(socket.AF_INET, made.address, SystemClock(), 5.0)
        assert 4 <= len(made.held) <= 8
        assert made.most_open <= 5  # the listener may see the next before the end of the oldest
        time.sleep(0.1)
        assert not any(map(_is_open, made.held)), "what was left waiting has been closed"


def test_one_that_is_closed_at_once_is_an_error_only_when_no_other_waits() -> None:
    with forwarder(lambda link, _number, _age_s: link.shutdown(socket.SHUT_RDWR)) as made:
        with pytest.raises(ClosedError):
            first_to_greet(socket.AF_INET, made.address, SystemClock(), 5.0)
        assert len(made.held) == 1

    def second_is_closed(link: socket.socket, number: int, _age_s: float) -> None:
        if number == 2:
            link.shutdown(socket.SHUT_RDWR)
        elif number == 1:
            later(link, 1.2)

    with forwarder(second_is_closed) as made:
        assert greeted(made) < 2


def test_a_port_that_nobody_listens_on_is_refused_at_once() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = listener.getsockname()
    began_s = time.monotonic()
    with pytest.raises(ConnectionRefusedError):
        first_to_greet(socket.AF_INET, address, SystemClock(), 5.0)
    assert time.monotonic() - began_s < 0.5


def test_no_time_is_no_connection() -> None:
    with forwarder(lambda *_: None) as made, pytest.raises(TimeoutError):
        first_to_greet(socket.AF_INET, made.address, SystemClock(), 0.0)
