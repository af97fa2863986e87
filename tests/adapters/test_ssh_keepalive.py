"""A machine that is frozen while TCP goes on is found out by asking it, and one that is only slow or quiet is not."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paramiko
import pytest
from ssh_daemon import WITH_SFTP, WITHOUT_SFTP, Daemon, daemon, needs_sshd
from ssh_machines import Machine, connect

from orchestrator.adapters.ssh.keepalive import Rhythm
from orchestrator.adapters.ssh.shell import SshShell
from orchestrator.errors import HostFault, StageError

pytestmark = pytest.mark.real

#: A patience that a test has: asked after 0.1 s, given up after 0.4 s more; nothing else here ends a wait before 15 s.
QUICK = Rhythm(every_s=0.1, within_s=0.4)
FOUND_OUT_WITHIN_S = 2.0
MUCH = b"x" * 8_000_000
"""More than the buffers on the way take, so that sending it lasts until somebody reads it."""

WAITS: dict[str, Callable[[SshShell], object]] = {
    "a command": lambda login: login.run(["sleep", "20"], timeout_s=60),
    "a command that is fed": lambda login: login.run(["sleep", "20"], stdin=MUCH.decode(), timeout_s=60),
    "files": lambda login: login.put({"fares.bin": MUCH}, "tariffs"),
    "a new process": lambda login: login.start(["sleep", "20"]),
}


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    made = Machine(tmp_path_factory.mktemp("machine"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def openssh(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    with daemon(tmp_path_factory.mktemp("openssh"), WITH_SFTP) as made:
        yield made


def found_out(action: Callable[[], object]) -> StageError:
    """The error of a wait that must end early."""
    began_s = time.monotonic()
    with pytest.raises(StageError) as caught:
        action()
    assert time.monotonic() - began_s < FOUND_OUT_WITHIN_S
    assert caught.value.silent
    return caught.value


def insist_on_words(error: StageError) -> None:
    seconds = float(str(error).partition("no answer for ")[2].partition(" s while ")[0])
    assert QUICK.within_s <= seconds < FOUND_OUT_WITHIN_S
    assert "it may be frozen or overloaded" in str(error)


@contextmanager
def frozen(machine: Machine | Daemon) -> Iterator[None]:
    machine.freeze()
    try:
        yield
    finally:
        machine.thaw()


@pytest.mark.parametrize("wait", WAITS.values(), ids=WAITS)
def test_a_frozen_guest_of_this_machine_is_found_out(lasting: Machine, wait: Callable[[SshShell], object]) -> None:
    login = lasting.login(rhythm=QUICK)
    with frozen(lasting):
        insist_on_words(found_out(lambda: wait(login)))
    login.close()


@needs_sshd
@pytest.mark.parametrize("wait", WAITS.values(), ids=WAITS)
def test_a_frozen_openssh_session_is_found_out(openssh: Daemon, wait: Callable[[SshShell], object]) -> None:
    login = connect(openssh.access, rhythm=QUICK)
    with frozen(openssh):
        insist_on_words(found_out(lambda: wait(login)))
    login.close()


@needs_sshd
def test_a_frozen_session_without_sftp_is_found_out(tmp_path: Path) -> None:
    with daemon(tmp_path, WITHOUT_SFTP) as machine:
        login = connect(machine.access, rhythm=QUICK)
        login.put({"a": b"a"}, str(tmp_path / "tariffs"))  # that the server has no SFTP is known now
        with frozen(machine):
            insist_on_words(found_out(lambda: login.put({"fares.bin": MUCH}, str(tmp_path / "tariffs"))))
        login.close()


@needs_sshd
def test_a_session_that_freezes_in_the_middle_of_a_long_command_is_found_out(openssh: Daemon) -> None:
    login = connect(openssh.access, rhythm=QUICK)
    failures: list[StageError] = []

    def prepare() -> None:
        try:
            login.run(["sh", "-c", "while :; do echo a table more; sleep 0.05; done"], timeout_s=600)
        except StageError as error:
            failures.append(error)

    waiting = threading.Thread(target=prepare)
    waiting.start()
    time.sleep(3 * (QUICK.every_s + QUICK.within_s) / 2)  # it talks and is answered: nothing is given up
    assert waiting.is_alive()
    with frozen(openssh):
        waiting.join(FOUND_OUT_WITHIN_S)
        assert not waiting.is_alive()
    insist_on_words(failures[0])
    login.close()


@needs_sshd
def test_waiting_for_a_line_finds_out_too_and_every_later_act_says_the_same(openssh: Daemon) -> None:
    login = connect(openssh.access, rhythm=QUICK)
    process = login.start(["sh", "-c", "echo ready; sleep 60"])
    line = process.wait_line(10)
    assert line is not None
    assert line.text == "ready"
    with frozen(openssh):
        began_s = time.monotonic()
        assert process.wait_line(60) is None
        assert time.monotonic() - began_s < FOUND_OUT_WITHIN_S
        assert process.ended() == -1
        for act in (lambda: process.write("x"), lambda: login.run(["true"]), lambda: login.put({"a": b""}, "here")):
            insist_on_words(found_out(act))
    login.close()


def test_a_guest_is_given_up_and_a_host_is_waited_for(lasting: Machine) -> None:
    """Guests have to be put back on a host, whenever it comes back; a guest is switched off in any case."""
    guest = lasting.login(rhythm=QUICK)
    host = connect(lasting.access(user="host"), machine="host", rhythm=QUICK)
    with frozen(lasting):
        assert not found_out(lambda: guest.run(["true"])).may_pass
        error = found_out(lambda: host.run(["true"]))
    assert isinstance(error, HostFault)
    assert error.may_pass
    guest.close()
    host.close()


@needs_sshd
def test_a_command_that_says_nothing_on_a_machine_that_answers_is_waited_for(openssh: Daemon) -> None:
    """Both kinds of server refuse the request, which is an answer (RFC 4254, section 4)."""
    login = connect(openssh.access, rhythm=QUICK)
    assert login.run(["sleep", "1.2"], timeout_s=20).status == 0
    login.close()


def test_a_command_that_says_nothing_in_a_guest_of_this_machine_is_waited_for(lasting: Machine) -> None:
    login = lasting.login(rhythm=QUICK)
    assert login.run(["sleep", "1.2"], timeout_s=20).status == 0
    login.close()


def test_a_machine_that_is_away_for_a_moment_only_is_waited_for(lasting: Machine) -> None:
    login = lasting.login(rhythm=Rhythm(every_s=0.1, within_s=5.0))
    lasting.freeze()
    threading.Timer(0.6, lasting.thaw).start()
    assert login.run(["echo", "back"]).output == "back\n"
    login.close()


def test_what_was_asked_before_counts_in_the_next_wait(lasting: Machine) -> None:
    """A stage that is tried again does not begin to be patient anew."""
    login = lasting.login(rhythm=Rhythm(every_s=0.1, within_s=0.8))
    with frozen(lasting):
        began_s = time.monotonic()
        for limit_s in (0.5, 0.5, 60.0):
            with pytest.raises(StageError):
                login.run(["true"], timeout_s=limit_s)
        assert time.monotonic() - began_s < FOUND_OUT_WITHIN_S
    login.close()


def test_a_login_on_which_nothing_is_waited_for_is_left_in_peace(lasting: Machine, mocker) -> None:
    asked = mocker.spy(paramiko.Transport, "global_request")
    login = lasting.login(rhythm=QUICK)
    process = login.start(["sh", "-c", "while :; do echo tick; sleep 0.02; done"])
    time.sleep(4 * QUICK.every_s)
    for _ in range(20):
        assert process.wait_line(10) is not None
    assert asked.call_count == 0
    process.stop(10)
    login.run(["sleep", str(6 * QUICK.every_s)])
    assert 1 <= asked.call_count <= 1 + 6 / 0.75
    assert {call.args[1] for call in asked.call_args_list} == {"keepalive@openssh.com"}
    login.close()


@contextmanager
def slow_line(port: int, bytes_per_s: float) -> Iterator[int]:
    """A forwarder that passes on so much and no more, and has hardly any room in between."""
    over = threading.Event()

    def pump(source: socket.socket, sink: socket.socket, chunk: int, pause_s: float) -> None:
        try:
            while not over.wait(pause_s) and (data := source.recv(chunk)):
                sink.sendall(data)
        except OSError:
            pass

    with socket.socket() as listener, socket.socket() as far:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16_384)
        listener.bind(("127.0.0.1", 0))
        listener.listen(1)
        far.connect(("127.0.0.1", port))

        def serve() -> None:
            near, _ = listener.accept()
            with near:
                back = threading.Thread(target=pump, args=(far, near, 65_536, 0.0))
                back.start()
                pump(near, far, 4096, 4096 / bytes_per_s)
                far.shutdown(socket.SHUT_RDWR)
                back.join(10)

        serving = threading.Thread(target=serve)
        serving.start()
        yield listener.getsockname()[1]
        over.set()
        serving.join(10)


def test_a_slow_line_is_not_taken_for_a_frozen_machine(lasting: Machine) -> None:
    """A question waits its turn behind what is being sent; that this is acknowledged is a sign of life."""
    with slow_line(lasting.port, bytes_per_s=400_000) as port:
        login = connect(lasting.access(port=port), rhythm=Rhythm(every_s=0.1, within_s=0.6))
        began_s = time.monotonic()
        login.put({"fares.bin": b"x" * 600_000}, "slowly")
        assert time.monotonic() - began_s > 1.0, "the line was not slow"
        login.close()
