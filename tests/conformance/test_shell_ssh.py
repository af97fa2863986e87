"""Logins over SSH keep the promises of a shell: on the process guest's server, and on OpenSSH's where there is one."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from ssh_machines import INIT, Machine

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.hypervisors.here.keys import new_key, public_line
from orchestrator.testing.conformance_shell import ShellSubject, check_shell

pytestmark = pytest.mark.real

SSHD = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def access_to(port: int, host_key: str, identity: Path, user: str) -> SshAccess:
    return SshAccess.model_validate(
        {"address": "127.0.0.1", "port": port, "user": user, "host-key": host_key, "identity": str(identity)}
    )


def check(access: SshAccess, folder: str) -> None:
    clock = SystemClock()
    connector = SshConnector(clock)
    check_shell(ShellSubject(lambda: connector.connect(access, machine="guest", timeout_s=20), clock, folder=folder))


def test_a_login_on_the_process_guests_server(tmp_path: Path) -> None:
    machine = Machine(tmp_path, under=INIT)
    try:
        check(machine.access(), "conformance")
    finally:
        machine.close()


def sshd_command(folder: Path, port: int, *extra: str) -> list[str]:
    """An OpenSSH server of the test's own, as far as possible from the machine's settings and keys."""
    lines = [
        f"Port {port}",
        "ListenAddress 127.0.0.1",
        f"HostKey {folder}/host_key",
        f"AuthorizedKeysFile {folder}/authorized_keys",
        f"PidFile {folder}/pid",
        "PasswordAuthentication no",
        "KbdInteractiveAuthentication no",
        "PermitRootLogin prohibit-password",
        "StrictModes no",
        "UsePAM no",
        f"SetEnv HOME={folder}",  # a login shell that reads the user's own settings takes its time for every command
        *extra,
    ]
    (folder / "sshd_config").write_text("\n".join(lines) + "\n")
    return [*INIT, str(SSHD), "-D", "-e", "-f", str(folder / "sshd_config")]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    end_s = time.monotonic() + 20
    while time.monotonic() < end_s:
        assert process.poll() is None, "the server ended at once; see its messages above"
        with socket.socket() as link:
            if link.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.05)
    pytest.fail("the server does not listen")


@pytest.fixture(params=["Subsystem sftp internal-sftp", "# no SFTP"], ids=["sftp", "no sftp"])
def openssh(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SshAccess]:
    host_key, host_text = new_key()
    login_key, login_text = new_key()
    for name, text in (("host_key", host_text), ("identity", login_text)):
        (tmp_path / name).touch(mode=0o600)
        (tmp_path / name).write_text(text)
    (tmp_path / "authorized_keys").write_text(public_line(login_key) + "\n")
    if os.getuid() == 0:
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # what the package's service does before it starts one
    port = free_port()
    with subprocess.Popen(sshd_command(tmp_path, port, request.param)) as process:
        try:
            wait_for(port, process)
            yield access_to(port, public_line(host_key), tmp_path / "identity", getpass.getuser())
        finally:
            process.terminate()


@pytest.mark.skipif(SSHD is None, reason="OpenSSH's server is not installed (Debian package openssh-server)")
def test_a_login_on_openssh(openssh: SshAccess, tmp_path: Path) -> None:
    check(openssh, str(tmp_path / "work"))
