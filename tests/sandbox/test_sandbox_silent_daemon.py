"""A daemon that accepts connections and never answers, as a process that was stopped by a signal still does."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from sandbox_places import made_layout, process_id

pytest.importorskip("libvirt")

from orchestrator.adapters.clock import SystemClock
from orchestrator.errors import SandboxError
from orchestrator.sandbox import machines as talking
from orchestrator.sandbox import services
from orchestrator.sandbox.accounts import tool_account
from orchestrator.sandbox.commands import run
from orchestrator.sandbox.daemon import uri_of
from orchestrator.sandbox.down import down
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.machines import Machines, SilentError, machines
from orchestrator.sandbox.making import Making
from orchestrator.sandbox.processes import ProcessId, alive
from orchestrator.sandbox.settings import Settings
from orchestrator.sandbox.state import State, save
from orchestrator.sandbox.status import status

#: Ends like a server that was told to, unless it has been stopped.
SILENT_SERVER = """
import socket, sys, time
listener = socket.socket(socket.AF_UNIX)
listener.bind(sys.argv[1])
listener.listen()
print("listens", flush=True)
time.sleep(600)
"""


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(talking, "ANSWER_WITHIN_S", 0.3)


@pytest.fixture
def silent(place: Path) -> Iterator[tuple[Layout, State]]:
    """A sandbox whose daemon is such a one."""
    layout = made_layout(place)
    path = str(layout.root / "run/socket")
    with subprocess.Popen([sys.executable, "-c", SILENT_SERVER, path], stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert server.stdout.readline() == "listens\n"
        state = State(daemon=process_id(server.pid), socket=path, host_uuid="4f0f6c1e-52a6-4c11-93a4-2b9b1a3a2f10")
        save(layout, state)
        yield layout, state
        server.kill()


def settings(layout: Layout, place: Path) -> Settings:
    return Settings(layout.root, place / "cache")


def test_no_call_waits_for_ever(silent: tuple[Layout, State]) -> None:
    with (
        pytest.raises(SilentError, match=r"connect to qemu.*gave no answer within 0\.3 s"),
        machines(uri_of(silent[1].socket)),
    ):
        pytest.fail("it never answered")


def test_a_connection_whose_call_was_given_up_is_not_even_closed() -> None:
    class Stuck:
        """A connection of which one end has stopped; what blocks is a real read."""

        def __init__(self) -> None:
            self.near, self.far = socket.socketpair()
            self.closed = False

        def lookupByName(self, _name: str) -> object:  # noqa: N802 - libvirt's name
            return self.near.recv(1)

        def close(self) -> None:
            self.closed = True

    stuck = Stuck()
    known = Machines(stuck)
    with pytest.raises(SilentError, match="could not ask for bookings-1"):
        known.power("bookings-1")
    known.close()
    assert not stuck.closed
    stuck.far.close()
    stuck.near.close()


def test_status_says_so(place: Path, silent: tuple[Layout, State]) -> None:
    found = status(settings(silent[0], place))
    assert found.state == "incomplete"
    assert "the libvirt daemon does not answer" in found.troubles
    assert [guest.power for guest in found.guests] == ["unknown", "unknown"]


def test_down_ends_it_as_a_process(place: Path, silent: tuple[Layout, State]) -> None:
    layout, state = silent
    said: list[str] = []
    down(settings(layout, place), SystemClock(), said.append)
    assert any("gave no answer" in line and "what runs is ended as a process" in line for line in said)
    assert not alive(state.daemon)
    assert not layout.root.exists()


def test_up_ends_it_and_starts_another(
    place: Path, silent: tuple[Layout, State], monkeypatch: pytest.MonkeyPatch
) -> None:
    layout, state = silent
    old, said, us = state.daemon, list[str](), tool_account()

    def start(*_: object) -> tuple[ProcessId, str]:
        assert not alive(old), "two daemons must never share a folder"
        raise SandboxError("started anew")

    monkeypatch.setattr(services, "start_daemon", start)
    with pytest.raises(SandboxError, match="started anew"):
        services.have_daemon(Making(settings(layout, place), layout, state, us, us, SystemClock(), said.append, run))
    assert said == ["libvirt: the daemon does not answer any more, and is ended"]
