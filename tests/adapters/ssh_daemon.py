"""OpenSSH's own server, started by a test for itself, whose sessions can be frozen while TCP goes on."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from orchestrator.core.design.lab import SshAccess
from orchestrator.hypervisors.here.keys import new_key, public_line

SSHD = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
needs_sshd = pytest.mark.skipif(
    SSHD is None, reason="OpenSSH's server is not installed (Debian package openssh-server)"
)

WITH_SFTP, WITHOUT_SFTP = "Subsystem sftp internal-sftp", "# no SFTP"


class Daemon:
    """A listening server.

    Attributes:
        access: a login of the user that runs the test.
    """

    def __init__(self, process: subprocess.Popen[bytes], access: SshAccess) -> None:
        self.process, self.access = process, access

    def sessions(self) -> list[int]:
        """The server's processes of logins that are open now: descendants of the listener."""
        parents = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdecimal():
                try:
                    name, _, rest = (entry / "stat").read_text().partition("(")[2].rpartition(") ")
                except OSError:
                    continue
                parents[int(entry.name)] = (int(rest.split()[1]), name)
        found, new = set[int](), {self.process.pid}
        while new := {pid for pid, (parent, _) in parents.items() if parent in new}:
            found |= new
        return [pid for pid in found if parents[pid][1].startswith("sshd")]

    def freeze(self) -> None:
        """Stop every login's processes; the kernel goes on acknowledging what is sent to them."""
        stopped = self.sessions()
        assert stopped, "nobody is logged in"
        _signal(stopped, signal.SIGSTOP)

    def thaw(self) -> None:
        """Let them go on; harmless where they are gone."""
        _signal(self.sessions(), signal.SIGCONT)


def _signal(pids: list[int], number: signal.Signals) -> None:
    for pid in pids:
        with suppress(ProcessLookupError):  # of an earlier login that was about to end
            os.kill(pid, number)


@contextmanager
def daemon(folder: Path, *settings: str, under: Sequence[str] = ()) -> Iterator[Daemon]:
    """A server as far as possible from the machine's own settings and keys.

    Args:
        folder: for its keys and settings, and those of the login.
        settings: further lines for it.
        under: a command that starts it.
    """
    host_key, host_text = new_key()
    login_key, login_text = new_key()
    for name, text in (("host_key", host_text), ("identity", login_text)):
        (folder / name).touch(mode=0o600)
        (folder / name).write_text(text)
    (folder / "authorized_keys").write_text(public_line(login_key) + "\n")
    if os.getuid() == 0:
        Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # what the package's service does before it starts one
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
    told = {
        "address": "127.0.0.1",
        "port": port,
        "user": getpass.getuser(),
        "host-key": public_line(host_key),
        "identity": str(folder / "identity"),
    }
    with subprocess.Popen([*under, *_command(folder, port, *settings)], stderr=subprocess.DEVNULL) as process:
        made = Daemon(process, SshAccess.model_validate(told))
        try:
            _await(port, process)
            yield made
        finally:
            made.thaw()
            process.terminate()


def _command(folder: Path, port: int, *settings: str) -> list[str]:
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
        *settings,
    ]
    (folder / "sshd_config").write_text("\n".join(lines) + "\n")
    return [str(SSHD), "-D", "-e", "-f", str(folder / "sshd_config")]


def _await(port: int, process: subprocess.Popen[bytes]) -> None:
    end_s = time.monotonic() + 20
    while time.monotonic() < end_s:
        assert process.poll() is None, "the server ended at once"
        with socket.socket() as link:
            if link.connect_ex(("127.0.0.1", port)) == 0:
                return
        time.sleep(0.02)
    pytest.fail("the server does not listen")
