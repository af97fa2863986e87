"""Logins over SSH keep the promises of a shell: on the process guest's server, and on OpenSSH's where there is one."""

from __future__ import annotations

from pathlib import Path

import pytest
from ssh_daemon import WITH_SFTP, WITHOUT_SFTP, daemon, needs_sshd
from ssh_machines import INIT, Machine

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.testing.conformance_shell import ShellSubject, check_shell

pytestmark = pytest.mark.real


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


@needs_sshd
@pytest.mark.parametrize("sftp", [WITH_SFTP, WITHOUT_SFTP], ids=["sftp", "no sftp"])
def test_a_login_on_openssh(sftp: str, tmp_path: Path) -> None:
    # A login shell that reads the user's own settings takes its time for every command.
    with daemon(tmp_path, f"SetEnv HOME={tmp_path}", sftp, under=INIT) as server:
        check(server.access, str(tmp_path / "work"))
