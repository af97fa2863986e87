"""What happens to commands when the machine freezes, dies, floods or refuses: one clear error each, never a hang."""

from __future__ import annotations

import resource
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paramiko
import pytest
from ssh_machines import INIT, Machine, connect, liar

from orchestrator.adapters.ssh import files, process, shell
from orchestrator.errors import GuestFault, StageError
from orchestrator.hypervisors.here.keys import new_key, public_line

pytestmark = pytest.mark.real

TICKER = ("sh", "-c", "while :; do echo tick; sleep 0.05; done")


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    made = Machine(tmp_path_factory.mktemp("machine"), under=INIT)
    yield made
    made.close()


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    """One that the test may freeze or kill."""
    made = Machine(tmp_path)
    yield made
    made.close()


@contextmanager
def within(limit_s: float) -> Iterator[None]:
    """Allow for a busy machine, but not for a wait without end."""
    began_s = time.monotonic()
    yield
    assert time.monotonic() - began_s < limit_s + 2


def failure(action: Callable[[], object]) -> StageError:
    with pytest.raises(GuestFault) as caught:
        action()
    return caught.value


def test_a_server_that_is_killed_in_the_middle(machine: Machine) -> None:
    login = machine.login()
    ticker = login.start(TICKER)
    assert ticker.wait_line(10) is not None
    machine.kill()
    with within(3):
        while ticker.wait_line(3) is not None:
            pass
        assert ticker.ended() == -1
    error = failure(lambda: login.run(["true"]))
    assert "the connection was lost" in str(error)
    assert error.may_pass
    for action in (lambda: ticker.write("x"), lambda: login.start(TICKER), lambda: login.put({"a": b""}, "here")):
        assert "the connection was lost" in str(failure(action))
    assert ticker.stop(1.0) == -1
    login.close()


def test_a_server_that_is_killed_during_a_run(machine: Machine) -> None:
    login = machine.login()
    threading.Timer(0.3, machine.process.kill).start()
    with within(1):
        error = failure(lambda: login.run(["sleep", "5"], timeout_s=20))
    assert "the connection was lost" in str(error)
    assert error.may_pass
    login.close()


def test_a_killed_command_is_told_from_a_lost_connection(lasting: Machine) -> None:
    """Both are -1 in paramiko."""
    login = lasting.login()
    killed = login.start(["sh", "-c", "kill -9 $$"], end_with_input=False)
    assert killed.wait_line(10) is None
    assert killed.ended() == -1
    assert login.run(["true"]).status == 0
    login.close()


def test_a_server_that_freezes_in_the_middle(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shell, "CHANNEL_S", 0.5)
    monkeypatch.setattr(process, "WRITE_S", 0.5)
    login = machine.login()
    ticker = login.start(TICKER)
    reader = login.start(["cat"], end_with_input=False)
    assert ticker.wait_line(10) is not None
    machine.freeze()
    time.sleep(0.2)
    ticker.lines()
    with within(0.5):
        assert ticker.wait_line(0.5) is None
    assert ticker.ended() is None
    for action, limit_s in (
        (lambda: login.run(["true"], timeout_s=0.5), 0.5),
        (lambda: login.start(["true"]), 0.5),
        (lambda: login.put({"a": b"a"}, "here"), 0.5),
        (lambda: reader.write("x" * 4_000_000), 0.5),
    ):
        with within(limit_s):
            error = failure(action)
        assert "no answer for 0.5 s" in str(error)
        assert error.may_pass
    with within(0.5):
        assert ticker.stop(0.5) is None
    with within(3):
        login.close()
    assert ticker.ended() == -1


def test_a_server_that_freezes_for_a_moment_only(machine: Machine) -> None:
    login = machine.login()
    ticker = login.start(TICKER)
    assert ticker.wait_line(10) is not None
    machine.freeze()
    assert ticker.stop(0.3) is None
    machine.thaw()
    assert ticker.stop(10) is not None
    assert login.run(["true"]).status == 0
    login.close()


class _NoAnswer(paramiko.ServerInterface):
    """Takes any login, and hangs when asked to run a command."""

    def __init__(self, over: threading.Event) -> None:
        self._over = over

    def check_auth_publickey(self, *_: object) -> int:
        return paramiko.common.AUTH_SUCCESSFUL

    def check_channel_request(self, *_: object) -> int:
        return paramiko.common.OPEN_SUCCEEDED

    def check_channel_exec_request(self, *_: object) -> bool:
        self._over.wait(20)
        return False


def test_a_server_that_opens_a_channel_and_never_answers_the_request(lasting: Machine) -> None:
    """paramiko's exec_command waits for the answer without end."""
    host_key = new_key()[0]

    def behave(link: object, over: threading.Event) -> None:
        transport = paramiko.Transport(link)  # type: ignore[arg-type]
        transport.add_server_key(host_key)
        transport.start_server(server=_NoAnswer(over))
        over.wait(20)
        transport.close()
        transport.join(5)

    with liar(behave) as port:
        login = connect(lasting.access(port=port, **{"host-key": public_line(host_key)}))
        with within(0.5):
            error = failure(lambda: login.run(["true"], timeout_s=0.5))
        assert "no answer for 0.5 s while a command was started" in str(error)
        login.close()


def test_a_command_that_does_not_end_in_time(lasting: Machine) -> None:
    login = lasting.login()
    with within(0.5):
        error = failure(lambda: login.run(["sleep", "60"], timeout_s=0.5))
    assert "no end of 'sleep 60' within 0.5 s" in str(error)
    assert login.run(["true"]).status == 0
    login.close()


def test_a_child_that_holds_the_output_open_is_not_waited_for(lasting: Machine) -> None:
    login = lasting.login()
    with within(3):
        done = login.run(["sh", "-c", "sleep 30 & echo started"], timeout_s=20)
    assert (done.status, done.output) == (0, "started\n")
    login.close()


def test_more_sessions_than_the_server_allows(lasting: Machine) -> None:
    login = lasting.login()
    started: list[process.SshProcess] = []
    with pytest.raises(GuestFault, match="no further session on this login"):
        started.extend(login.start(["cat"], end_with_input=False) for _ in range(100))
    assert started[0].stop(10) == 0
    assert ran_once_there_is_room(login) == 0
    login.close()


def ran_once_there_is_room(login: shell.SshShell) -> int:
    """The server counts a session as ended a moment after it has told its status."""
    until = time.monotonic() + 10
    while True:
        try:
            return login.run(["true"]).status
        except GuestFault:
            if time.monotonic() > until:
                raise
            time.sleep(0.01)


def test_output_without_end_is_refused_by_run(lasting: Machine) -> None:
    login = lasting.login()
    error = failure(lambda: login.run(["sh", "-c", "while :; do seq 100000; done"], timeout_s=60))
    assert "printed more than 16 MiB" in str(error)
    assert login.run(["true"]).status == 0
    login.close()


def test_a_flood_that_nobody_reads_holds_up_the_command_and_not_the_memory(machine: Machine) -> None:
    """50 MB; the client holds 8 MiB and SSH's window, the server one chunk and what is on its way."""
    login = machine.login()
    before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    server_before_kib = machine.most_memory_kib()
    flood = login.start(["sh", "-c", "seq -f '%0500.0f' 1 100000; echo end; sleep 60"])
    time.sleep(1.5)
    assert flood.ended() is None
    held = len(flood.lines())
    assert 10_000 < held < 40_000
    time.sleep(0.5)
    assert flood.stop(20) is not None
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib < 64 * 1024
    assert machine.most_memory_kib() - server_before_kib < 16 * 1024
    login.close()


def test_a_flood_while_stopping_keeps_the_newest_lines(lasting: Machine) -> None:
    login = lasting.login()
    script = "trap '' TERM; seq -f '%0500.0f' 1 40000; echo the last"
    flood = login.start(["sh", "-c", f"cat; {script}"], end_with_input=False)
    assert flood.stop(60) == 0
    kept = flood.lines()
    assert kept[-1].text == "the last"
    assert flood.dropped + len(kept) == 40_001
    login.close()


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "/etc/motd", "a\0b"])
def test_names_that_are_no_names_of_files(lasting: Machine, name: str) -> None:
    login = lasting.login()
    assert "is no name of a file" in str(failure(lambda: login.put({name: b""}, "here")))
    login.close()


@pytest.mark.parametrize("folder", ["/proc/nowhere", "blocked/deeper"])
def test_a_folder_that_cannot_be_made(lasting: Machine, folder: str) -> None:
    login = lasting.login(user="host")
    login.run(["sh", "-c", "echo > blocked"])
    error = failure(lambda: login.put({"a": b"a"}, folder))
    assert "cannot be made" in str(error)
    assert not error.may_pass
    login.close()


def test_a_file_that_does_not_fit_by_command_either(lasting: Machine) -> None:
    """The way for servers without SFTP, to a folder that cannot be made, and with content that ends early."""
    login = lasting.login()
    refused = login.run(files.receiver("/proc/nowhere", "a", 1), stdin="a")
    assert refused.status != 0
    short = login.run(files.receiver("short", "a", 10), stdin="a")
    assert short.status == 1
    assert login.run(["ls", "-A", "short"]).output == ""
    login.close()


def test_nothing_is_left_of_a_login(lasting: Machine) -> None:
    before, descriptors = threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(3):
        login = lasting.login()
        ticker = login.start(TICKER)
        ticker.wait_line(5)
        login.put({"a": b"a" * 100_000}, "here")
        login.run(["cat"], stdin="x" * 100_000)
        login.close()
    deadline_s = time.monotonic() + 5
    while threading.active_count() > before and time.monotonic() < deadline_s:
        time.sleep(0.02)
    # fewer, where a thread of an earlier login was still about to end
    assert threading.active_count() <= before
    assert len(list(Path("/proc/self/fd").iterdir())) <= descriptors
