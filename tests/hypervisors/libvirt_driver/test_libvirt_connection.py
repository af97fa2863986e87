"""A connection that does not hang: limits, losses, and opening again."""

from __future__ import annotations

import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

libvirt = pytest.importorskip("libvirt")

from orchestrator.errors import HostFault
from orchestrator.hypervisors.libvirt import connection as module
from orchestrator.hypervisors.libvirt.connection import Connection


@pytest.fixture
def connection() -> Iterator[Connection]:
    made = Connection("test:///default")
    yield made
    made.close()


def test_it_opens_with_the_first_call_and_keeps_open(connection: Connection) -> None:
    first = connection.call("look", lambda opened: opened)
    assert connection.call("look", lambda opened: opened) is first
    connection.close()
    connection.close()
    assert connection.call("look", lambda opened: opened) is not first


def test_a_call_that_gets_no_answer_is_given_up_and_its_connection_with_it(connection: Connection) -> None:
    answered = threading.Event()
    first = connection.call("look", lambda opened: opened)
    with pytest.raises(
        HostFault, match=r"could not wait: libvirt at test:///default gave no answer within 50 ms"
    ) as raised:
        connection.call("wait", lambda _opened: answered.wait(20), within_s=0.05)
    assert raised.value.may_pass
    assert connection.call("look", lambda opened: opened) is not first
    answered.set()


def test_other_errors_come_as_they_are(connection: Connection) -> None:
    with pytest.raises(ZeroDivisionError):
        connection.call("divide", lambda _opened: 1 / 0)


def test_an_error_leaves_a_connection_that_lives_open(connection: Connection) -> None:
    first = connection.call("look", lambda opened: opened)
    with pytest.raises(HostFault, match="could not find it"):
        connection.call("find it", lambda opened: opened.lookupByName("nobody"))
    assert connection.call("look", lambda opened: opened) is first


class Dead:
    """A connection whose other end has gone."""

    closed = False

    def isAlive(self) -> int:  # noqa: N802 - libvirt's name
        return 0

    def close(self) -> None:
        self.closed = True


def test_a_connection_that_was_lost_is_opened_anew(connection: Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    dead = Dead()
    monkeypatch.setattr(module, "_connect", lambda _uri: dead)
    connection.call("look", lambda opened: opened)
    monkeypatch.undo()
    found: Any = connection.call("look", lambda opened: opened.getType())
    assert found == "TEST"
    assert dead.closed


@pytest.mark.parametrize(
    ("uri", "says", "may_pass"),
    [
        ("qemu+unix:///session?socket=/nowhere/libvirt-sock", "Failed to connect socket.*No such file", True),
        ("qemu+raft:///system", "could not connect: libvirt at .* says: .*; .*correct the lab's uri", False),
    ],
)
def test_a_host_that_is_not_there_is_said_with_its_uri(uri: str, says: str, may_pass: bool) -> None:
    with pytest.raises(HostFault, match=says) as raised:
        Connection(uri).call("look", lambda opened: opened)
    assert raised.value.may_pass == may_pass


@pytest.mark.real
def test_a_daemon_that_does_not_answer_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "OPEN_WITHIN_S", 0.3)
    place = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(place))
        listener.listen()
        began_s = time.monotonic()
        with pytest.raises(HostFault, match="gave no answer within 300 ms; see whether the host is up") as raised:
            Connection(f"qemu+unix:///session?socket={place}").call("look", lambda opened: opened)
        assert raised.value.may_pass
        assert time.monotonic() - began_s < 5


@pytest.mark.real
def test_an_interrupt_is_raised_once_the_call_in_hand_has_ended(connection: Connection) -> None:
    done: list[str] = []
    main = threading.get_ident()

    def slow(_opened: object) -> None:
        signal.pthread_kill(main, signal.SIGINT)
        time.sleep(0.3)
        done.append("started")

    with pytest.raises(KeyboardInterrupt):
        connection.call("start it", slow)
    assert done == ["started"]
    kind: Any = connection.call("look", lambda opened: opened.getType())
    assert kind == "TEST", "the connection is as good as before"


def test_nothing_is_printed(connection: Connection, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(HostFault):
        connection.call("find it", lambda opened: opened.lookupByName("nobody"))
    assert capfd.readouterr() == ("", "")
