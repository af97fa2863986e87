"""The host's login: a real OpenSSH server, for one user and one key, and gone without a trace."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from sandbox_places import made_layout

from orchestrator.adapters.clock import SystemClock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import tool_account
from orchestrator.sandbox.commands import run
from orchestrator.sandbox.keys import make_key
from orchestrator.sandbox.lab_file import Login, SandboxLab
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.login import HOST, make_privsep, remove_privsep, start_login, stop_login
from orchestrator.sandbox.ports import greeting
from orchestrator.sandbox.processes import ProcessId, alive

CLOCK = SystemClock()
TOOL = tool_account()
pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(
        shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin") is None or not TOOL.may_log_in,
        reason="OpenSSH's server is not installed (Debian package openssh-server), or this user has no shell",
    ),
]


@pytest.fixture
def layout(place: Path) -> Layout:
    return made_layout(place)


@pytest.fixture
def server(layout: Layout) -> Iterator[tuple[ProcessId, int]]:
    made = TOOL.uid == 0 and make_privsep()
    host_key = make_key(layout.host_key(HOST), "test", run)
    login_key = make_key(layout.identity, "test", run)
    process, port = start_login(layout, TOOL, login_key, CLOCK, set())
    lab = SandboxLab("unused", layout.identity, Login(port, TOOL.name, host_key), {})
    layout.ssh_config.write_text(lab.ssh_config(HOST))
    layout.known_hosts.write_text(lab.known_hosts(HOST))
    yield process, port
    stop_login(process, layout, TOOL, CLOCK)
    if made:
        remove_privsep()


def ssh(layout: Layout, *argv: str) -> subprocess.CompletedProcess[str]:
    command = ["ssh", "-F", str(layout.ssh_config), *argv]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def test_the_key_logs_in_as_whoever_made_the_sandbox(layout: Layout, server: tuple[ProcessId, int]) -> None:
    done = ssh(layout, HOST, "id -un; cat /proc/uptime")
    assert done.returncode == 0, done.stderr
    assert done.stdout.split()[0] == TOOL.name


def test_another_key_and_another_host_key_are_refused(layout: Layout, server: tuple[ProcessId, int]) -> None:
    other = layout.keys / "other"
    line = make_key(other, "test", run)
    config = layout.ssh_config.read_text()
    layout.ssh_config.write_text(config.replace(str(layout.identity), str(other)))
    assert "Permission denied" in ssh(layout, HOST, "true").stderr
    layout.ssh_config.write_text(config)
    layout.known_hosts.write_text(f"{HOST} {line}\n")
    assert "Host key verification failed" in ssh(layout, HOST, "true").stderr


def test_nothing_can_be_forwarded_through_it(layout: Layout, server: tuple[ProcessId, int]) -> None:
    _, port = server
    done = ssh(layout, "-W", f"127.0.0.1:{port}", HOST)
    assert done.returncode != 0
    assert "SSH-2.0" not in done.stdout


def test_it_listens_on_the_loopback_address_only(server: tuple[ProcessId, int]) -> None:
    _, port = server
    listening = [line.split()[1] for line in Path("/proc/net/tcp").read_text().splitlines()[1:] if " 0A " in line]
    assert [address for address in listening if address.endswith(f":{port:04X}")] == [f"0100007F:{port:04X}"]


def test_stopping_it_ends_the_logins_through_it(layout: Layout, server: tuple[ProcessId, int]) -> None:
    process, port = server
    with subprocess.Popen(
        ["ssh", "-F", str(layout.ssh_config), HOST, "echo ready; exec sleep 300"], stdout=subprocess.PIPE
    ) as client:
        assert client.stdout is not None
        assert client.stdout.readline() == b"ready\n"
        assert stop_login(process, layout, TOOL, CLOCK)
        assert client.wait(10) != 0
    assert not alive(process)
    assert greeting(port) == b""
    assert stop_login(process, layout, TOOL, CLOCK), "harmless twice"


def test_it_is_found_without_a_note_of_it(layout: Layout, server: tuple[ProcessId, int]) -> None:
    process, _ = server
    assert stop_login(None, layout, TOOL, CLOCK)
    assert not alive(process)


def test_one_that_cannot_start_says_why(layout: Layout) -> None:
    if TOOL.uid == 0:
        make_privsep()
    with pytest.raises(SandboxError, match=r"(?s)did not start; its last words:.*host-key"):
        start_login(layout, TOOL, "ssh-ed25519 AAAA", CLOCK, set())  # there is no host key
