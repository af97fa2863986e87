"""The process guest's SSH server: what a login can do, what it cannot, and that nothing outlives it."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import paramiko
import pytest
from paramiko.common import cMSG_CHANNEL_CLOSE
from server_subject import Subject, alive, eventually, read_all, serving, status_of

from orchestrator.hypervisors.here.keys import new_key
from orchestrator.hypervisors.here.server import login, loopback, processes

pytestmark = pytest.mark.real


@pytest.fixture
def subject(tmp_path: Path) -> Iterator[Subject]:
    with serving(tmp_path) as made:
        yield made


# ------------------------------------------------------------------------------------------------------ commands


def test_a_command_runs_at_home_in_its_users_environment_and_leads_a_session(subject: Subject) -> None:
    for user in ("guest", "host"):
        channel = subject.start(subject.login(user), "pwd; env; echo $$; cut -d' ' -f6 /proc/$$/stat")
        home, *environment, pid, session = read_all(channel).decode().splitlines()
        assert home == str(subject.home)
        names = {line.partition("=")[0] for line in environment}
        assert f"WHO={user}" in environment
        assert names <= {"PATH", "WHO", "PWD", "TRIALBED_SESSION", "_", "SHLVL", "OLDPWD"}
        assert pid == session
        assert subject.spawned[-1] == (int(pid), user)


@pytest.mark.parametrize("status", [0, 1, 7, 255])
def test_exit_statuses(subject: Subject, status: int) -> None:
    channel = subject.start(subject.login(), f"echo out; echo err >&2; exit {status}")
    assert read_all(channel) == b"out\n"
    assert channel.recv_stderr(100) == b"err\n"
    assert status_of(channel) == status


def test_the_end_of_input_is_the_commands_end_of_input(subject: Subject) -> None:
    channel = subject.start(subject.login(), "cat; echo end")
    channel.sendall(b"a\0b")
    channel.shutdown_write()
    assert read_all(channel) == b"a\0bend\n"
    assert status_of(channel) == 0


def test_both_directions_flow_at_once(subject: Subject) -> None:
    """More than all buffers on the way: neither direction may wait for the other."""
    channel = subject.start(subject.login(), "cat")
    data = os.urandom(1 << 20) * 8
    received: list[bytes] = []
    reader = threading.Thread(target=lambda: received.append(read_all(channel)))
    reader.start()
    channel.sendall(data)
    channel.shutdown_write()
    reader.join(30)
    assert received == [data]


def test_a_command_that_cannot_be_started_says_why(subject: Subject) -> None:
    subject.home.rmdir()
    channel = subject.start(subject.login(), "true")
    assert b"cannot be started" in channel.recv_stderr(1000)
    assert status_of(channel) == 126


def test_a_command_that_cannot_be_announced_does_not_run(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    pids = []

    def refuse(pid: int, user: str) -> None:
        pids.append(pid)
        raise KeyError(user)

    monkeypatch.setattr(subject.server, "_on_spawn", refuse)
    assert status_of(subject.start(subject.login(), "sleep 600")) == 126
    assert not alive(pids[0])


@pytest.mark.parametrize("home", ["there", "not there"])
def test_a_client_that_leaves_before_the_last_message_disturbs_nobody(
    subject: Subject, monkeypatch: pytest.MonkeyPatch, home: str
) -> None:
    """The connection breaks as the channel is closed; what a thread of the server raised would fail this test."""
    if home == "not there":
        subject.home.rmdir()
    sessions: list[threading.Thread] = []

    def send(connection: login.Connection, data: paramiko.Message) -> None:
        if data.asbytes()[:1] == cMSG_CHANNEL_CLOSE and threading.current_thread().name.startswith("session "):
            sessions.append(threading.current_thread())
            raise EOFError
        sent(connection, data)

    sent = login.Connection._send_user_message
    monkeypatch.setattr(login.Connection, "_send_user_message", send)
    status_of(subject.start(subject.login(), "true"))
    assert eventually(lambda: bool(sessions) and not sessions[0].is_alive())


STUBBORN = "trap '' TERM; while :; do sleep 0.1; done"
LEAVES = {
    "a command": "exec sleep 600",
    "one that ignores TERM": STUBBORN,
    "children of children": "(sleep 600 & sleep 600) & sleep 600",
    "one in a session of its own": "setsid sleep 600 & sleep 600",
    "one whose parent has gone": "(setsid sleep 600 &) ; sleep 600",
    "one that is stopped": "kill -STOP $$",
}


@pytest.mark.parametrize("command", LEAVES.values(), ids=LEAVES.keys())
@pytest.mark.parametrize("how", ["channel", "connection", "power"])
def test_nothing_outlives_its_channel_connection_or_power(
    subject: Subject, command: str, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(processes, "GRACE_S", 0.5)
    transport = subject.login()
    channel = subject.start(transport, f"echo on; {command}")
    assert channel.recv(10) == b"on\n"
    leader, _ = subject.spawned[-1]
    time.sleep(0.2)  # for all of them to have started; while a program is exchanged its environment cannot be read
    mark = next(field for field in environment_of(leader) if field.startswith("TRIALBED_SESSION="))
    family = [
        int(entry.name)
        for entry in Path("/proc").iterdir()
        if entry.name.isdecimal() and mark in environment_of(int(entry.name))
    ]
    assert leader in family
    if how == "channel":
        channel.close()
    elif how == "connection":
        transport.sock.shutdown(socket.SHUT_RDWR)
    else:
        subject.server.power(False)
        assert not any(map(alive, family))
    assert eventually(lambda: not any(map(alive, family)))
    if how == "channel":
        assert read_all(subject.start(transport, "echo the login goes on")) == b"the login goes on\n"


def environment_of(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/environ").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return []


# ------------------------------------------------------------------------------------------------- who may do what


def test_only_the_one_key_and_the_two_users(subject: Subject) -> None:
    for user, key in (("guest", new_key()[0]), ("root", subject.login_key), ("", subject.login_key)):
        with pytest.raises(paramiko.AuthenticationException):
            subject.login(user, key)


def test_no_other_way_to_log_in(subject: Subject) -> None:
    attempts: tuple[Callable[[paramiko.Transport], object], ...] = (
        lambda transport: transport.auth_none("guest"),
        lambda transport: transport.auth_password("guest", "guest"),
    )
    for attempt in attempts:
        transport = paramiko.Transport(socket.create_connection(("127.0.0.1", subject.server.port), 10))
        transport.start_client(timeout=10)
        with pytest.raises(paramiko.BadAuthenticationType) as caught:
            attempt(transport)
        assert caught.value.allowed_types == ["publickey"]
        transport.close()
        transport.join(5)


def test_nothing_but_commands_and_sftp(subject: Subject) -> None:
    transport = subject.login()
    requests: tuple[Callable[[paramiko.Channel], object], ...] = (
        lambda channel: channel.get_pty(),
        lambda channel: channel.invoke_shell(),
        lambda channel: channel.invoke_subsystem("netconf"),
        lambda channel: channel.request_x11(),
    )
    for request in requests:
        with pytest.raises(paramiko.SSHException):
            request(transport.open_session(timeout=10))
    channel = transport.open_session(timeout=10)
    channel.set_environment_variable("WISH", "x")  # refused without a word, as RFC 4254, section 6.4, leaves open
    channel.exec_command("env")
    assert b"WISH" not in read_all(channel)
    with pytest.raises(paramiko.ChannelException):
        transport.open_channel("direct-tcpip", ("127.0.0.1", subject.server.port), ("127.0.0.1", 1), timeout=10)
    with pytest.raises(paramiko.SSHException):
        transport.request_port_forward("127.0.0.1", 0)
    assert read_all(subject.start(transport, "echo still here")) == b"still here\n"


def test_it_listens_on_one_loopback_address_only(subject: Subject) -> None:
    with socket.socket() as link:
        assert link.connect_ex(("127.0.0.2", subject.server.port)) != 0  # the loopback network is 127.0.0.0/8
        assert link.connect_ex(("127.0.0.1", subject.server.port)) == 0


def test_power_decides_about_the_guest_and_not_about_the_host(subject: Subject) -> None:
    guest, host = subject.login("guest"), subject.login("host")
    channel, other = subject.start(guest, "sleep 600"), subject.start(host, "cat")
    subject.server.power(False)
    assert channel.closed
    assert eventually(lambda: not guest.is_active())
    with pytest.raises(paramiko.AuthenticationException):
        subject.login("guest")
    other.sendall(b"x")
    assert other.recv(1) == b"x"
    subject.server.power(True)
    assert read_all(subject.start(subject.login("guest"), "echo on")) == b"on\n"


def test_who_does_not_log_in_is_cut(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loopback, "LOGIN_S", 0.5)
    lasting = subject.login()
    with socket.create_connection(("127.0.0.1", subject.server.port), 10) as idle:
        idle.settimeout(15)
        while idle.recv(1000):
            pass
    assert lasting.is_active()


def test_too_many_connections(subject: Subject) -> None:
    links = [
        socket.create_connection(("127.0.0.1", subject.server.port), 10) for _ in range(loopback.MAX_CONNECTIONS + 3)
    ]
    for link in links:
        link.settimeout(10)
    greetings = []
    for link in links:
        with suppress(ConnectionResetError):
            greetings.append(link.recv(4))
    assert greetings.count(b"SSH-") == loopback.MAX_CONNECTIONS
    for link in links:
        link.close()
    assert eventually(lambda: _answers(subject))


def _answers(subject: Subject) -> bool:
    with suppress(paramiko.SSHException, EOFError, OSError):
        return subject.login().is_active()
    return False


@pytest.mark.parametrize(
    "rubbish", [b"GET / HTTP/1.1\r\n\r\n", bytes(range(256)) * 100, b"SSH-2.0-x\r\n" + b"\xff" * 5000]
)
def test_rubbish_harms_nobody_else(subject: Subject, rubbish: bytes) -> None:
    lasting = subject.login()
    with socket.create_connection(("127.0.0.1", subject.server.port), 10) as link, suppress(OSError):
        link.sendall(rubbish)
        link.settimeout(1)
        while link.recv(1000):
            pass
    assert read_all(subject.start(lasting, "echo on")) == b"on\n"


def test_close_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(processes, "GRACE_S", 0.5)
    threads, descriptors = threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))
    subject = Subject(tmp_path)
    subject.server.start()
    subject.server.power(True)
    for user in ("guest", "host"):
        subject.start(subject.login(user), f"(setsid sleep 600 &); {STUBBORN}")
    sftp = paramiko.SFTPClient.from_transport(subject.login())
    assert sftp is not None
    sftp.open("kept-open", "wb").write(b"x")
    assert eventually(lambda: len(subject.spawned) == 2)
    subject.server.close()
    assert not any(alive(pid) for pid, _ in subject.spawned)
    subject.close()  # closes the server a second time
    del sftp
    assert eventually(lambda: threading.active_count() == threads)
    assert len(list(Path("/proc/self/fd").iterdir())) == descriptors
    with socket.socket() as link:
        assert link.connect_ex(("127.0.0.1", subject.server.port)) != 0


def test_a_server_that_was_never_started_can_be_closed(tmp_path: Path) -> None:
    Subject(tmp_path).server.close()
