"""The process guest's SSH server: its files, and OpenSSH's client as the independent implementation against it."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import paramiko
import pytest
from server_subject import Subject, alive, eventually, serving

from orchestrator.hypervisors.here.keys import public_line

pytestmark = pytest.mark.real

SSH, SFTP = shutil.which("ssh"), shutil.which("sftp")
needs_openssh_client = pytest.mark.skipif(
    not (SSH and SFTP), reason="OpenSSH's client is not installed (Debian package openssh-client)"
)


@pytest.fixture
def subject(tmp_path: Path) -> Iterator[Subject]:
    with serving(tmp_path) as made:
        yield made


# ---------------------------------------------------------------------------------------------------------- files


@pytest.fixture
def sftp(subject: Subject) -> Iterator[paramiko.SFTPClient]:
    client = paramiko.SFTPClient.from_transport(subject.login())
    assert client is not None
    client.get_channel().settimeout(10)  # type: ignore[union-attr]
    yield client
    client.close()


def test_files_round_the_clock(subject: Subject, sftp: paramiko.SFTPClient) -> None:
    data = os.urandom(300_000)
    sftp.mkdir("deep")
    with sftp.open("deep/data", "wb") as file:
        file.write(data)
    with sftp.open("deep/data", "ab") as file:
        file.write(b"more")
    with sftp.open("deep/data", "r+b") as file:
        file.write(b"<")
        assert file.stat().st_size == len(data) + 4
        file.chmod(0o600)
    expected = b"<" + data[1:] + b"more"
    assert (subject.home / "deep/data").read_bytes() == expected
    assert stat.S_IMODE((subject.home / "deep/data").stat().st_mode) == 0o600
    with sftp.open("deep/data", "rb") as file:
        assert file.read() == expected
    sftp.chmod("deep/data", 0o755)
    assert stat.S_IMODE(sftp.stat("deep/data").st_mode or 0) == 0o755
    assert sftp.listdir("deep") == ["data"]
    sftp.posix_rename("deep/data", "deep/new")
    (subject.home / "deep/other").touch()
    with pytest.raises(OSError, match=r"exist|ailure"):
        sftp.rename("deep/new", "deep/other")
    sftp.rename("deep/new", "deep/third")
    for name in ("deep/other", "deep/third"):
        sftp.remove(name)
    sftp.rmdir("deep")
    assert list(subject.home.iterdir()) == []
    assert sftp.normalize(".") == str(subject.home)
    with pytest.raises(FileNotFoundError):
        sftp.stat("deep")


@pytest.mark.parametrize(
    "path", ["../outside", "/etc/hostname", "a/../../outside", "link", "link/file", "..", "linked-folder/outside", "/"]
)
def test_a_guest_cannot_leave_its_home(subject: Subject, sftp: paramiko.SFTPClient, path: str) -> None:
    (subject.folder / "outside").write_text("secret")
    (subject.home / "a").mkdir()
    (subject.home / "link").symlink_to("/etc/hostname")
    (subject.home / "linked-folder").symlink_to(subject.folder)
    operations: tuple[Callable[[], object], ...] = (
        lambda: sftp.stat(path),
        lambda: sftp.open(path, "rb"),
        lambda: sftp.open(path, "wb"),
        lambda: sftp.chmod(path, 0o777),
        lambda: sftp.listdir(path),
        lambda: sftp.mkdir(f"{path}/new"),
        lambda: sftp.symlink(path, "another"),
    )
    for operation in operations:
        with pytest.raises(OSError, match=r"denied|nsupported|No such"):
            operation()
    assert (subject.folder / "outside").read_text() == "secret"
    assert not (subject.folder / "new").exists()


def test_a_link_itself_can_be_looked_at_and_removed(subject: Subject, sftp: paramiko.SFTPClient) -> None:
    (subject.home / "link").symlink_to("/etc/hostname")
    assert stat.S_ISLNK(sftp.lstat("link").st_mode or 0)
    sftp.remove("link")
    assert Path("/etc/hostname").exists()
    assert not (subject.home / "link").is_symlink()


def test_the_host_is_free_to_go_anywhere(subject: Subject) -> None:
    (subject.folder / "outside").write_text("seen")
    client = paramiko.SFTPClient.from_transport(subject.login("host"))
    assert client is not None
    with client.open(str(subject.folder / "outside"), "rb") as file:
        assert file.read() == b"seen"
    client.close()


def test_odd_files_do_not_hold_up_the_session(subject: Subject, sftp: paramiko.SFTPClient) -> None:
    os.mkfifo(subject.home / "pipe")
    for mode in ("rb", "wb"):
        with pytest.raises(OSError, match=r"denied|ailure"):
            sftp.open("pipe", mode)
    with pytest.raises(OSError, match=r"denied|ailure|No such"):
        sftp.open("a\0b", "rb")
    assert sftp.listdir(".") == ["pipe"]


# ------------------------------------------------------------------------------------------ OpenSSH's own client


@pytest.fixture
def client(subject: Subject) -> list[str]:
    (subject.folder / "known_hosts").write_text(f"[127.0.0.1]:{subject.server.port} {public_line(subject.host_key)}\n")
    options = {
        "IdentityFile": subject.folder / "identity",
        "IdentitiesOnly": "yes",
        "UserKnownHostsFile": subject.folder / "known_hosts",
        "GlobalKnownHostsFile": "/dev/null",
        "StrictHostKeyChecking": "yes",
        "BatchMode": "yes",
        "LogLevel": "ERROR",
        "User": "guest",
        "Port": subject.server.port,
    }
    return ["-F", "none", *(word for name, value in options.items() for word in ("-o", f"{name}={value}"))]


@needs_openssh_client
def test_commands_by_openssh(client: list[str]) -> None:
    data = os.urandom(1 << 20) * 4

    def ssh(command: str, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
        whole = [str(SSH), *client, "127.0.0.1", command]
        return subprocess.run(whole, input=given, capture_output=True, timeout=30, check=False)

    assert ssh("cat", data).stdout == data
    failed = ssh("echo out; echo err >&2; exit 3")
    assert (failed.returncode, failed.stdout, failed.stderr) == (3, b"out\n", b"err\n")
    assert ssh("kill -TERM $$").returncode == 255  # what ssh(1) gives when the command was ended by a signal


@needs_openssh_client
def test_openssh_is_told_which_signal_ended_a_command(client: list[str]) -> None:
    loud = [str(SSH), "-o", "LogLevel=DEBUG", *client, "127.0.0.1", "kill -USR1 $$"]
    ran = subprocess.run(loud, capture_output=True, text=True, timeout=30, check=False)
    assert "rtype exit-signal" in ran.stderr


@needs_openssh_client
def test_an_interrupted_openssh_leaves_nothing(subject: Subject, client: list[str]) -> None:
    with subprocess.Popen([str(SSH), *client, "127.0.0.1", "echo on; sleep 600"], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"on\n"
        process.send_signal(signal.SIGKILL)
    assert eventually(lambda: not alive(subject.spawned[-1][0]))


@needs_openssh_client
def test_files_by_openssh(subject: Subject, client: list[str]) -> None:
    data = os.urandom(500_000)
    (subject.folder / "local").write_bytes(data)
    steps = ("mkdir box", f"put {subject.folder}/local box/a", "chmod 755 box/a", "rename box/a box/moved", "ls -l box")
    script = "\n".join(steps) + "\n"
    batch = [str(SFTP), *client, "-b", "-", "127.0.0.1"]
    ran = subprocess.run(batch, input=script, capture_output=True, text=True, timeout=30, check=False)
    assert ran.returncode == 0, ran.stderr
    assert "box/moved" in ran.stdout
    assert (subject.home / "box/moved").read_bytes() == data
