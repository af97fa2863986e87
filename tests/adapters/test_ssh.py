"""Logging in: every way in which it can fail has one clear error, says whether waiting helps, and ends in time."""

from __future__ import annotations

import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paramiko
import pytest
from ssh_machines import Machine, connect, liar, says

from orchestrator.core.design.lab import SshAccess
from orchestrator.errors import GuestFault, HostFault, StageError
from orchestrator.hypervisors.here.keys import new_key, public_line

pytestmark = pytest.mark.real

KEYGEN, AGENT, ADD = (shutil.which(name) for name in ("ssh-keygen", "ssh-agent", "ssh-add"))
needs_openssh_client = pytest.mark.skipif(
    not (KEYGEN and AGENT and ADD), reason="OpenSSH's client is not installed (Debian package openssh-client)"
)


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    made = Machine(tmp_path_factory.mktemp("machine"))
    yield made
    made.close()


def refusal(access: SshAccess, timeout_s: float = 5.0) -> StageError:
    """The error of a login that must fail, and must do so in time."""
    began_s = time.monotonic()
    with pytest.raises(GuestFault) as caught:
        connect(access, timeout_s)
    assert time.monotonic() - began_s < timeout_s + 2
    message = str(caught.value)
    assert message.isprintable()
    assert message.startswith(f"guest {access.user}@")
    return caught.value


def at(port: int, machine: Machine) -> SshAccess:
    return machine.access(port=port)


def test_a_login_works_and_can_be_closed_twice(machine: Machine) -> None:
    shell = machine.login()
    assert shell.run(["echo", "on"]).output == "on\n"
    shell.close()
    shell.close()


def test_nothing_listens(machine: Machine) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    error = refusal(at(port, machine))
    assert error.may_pass
    assert "connection refused" in str(error)


def test_the_fault_is_that_of_the_machine_that_was_asked(machine: Machine) -> None:
    with pytest.raises(HostFault, match=r"^host guest@127\."):
        connect(machine.access(**{"host-key": public_line(new_key()[0])}), machine="host")


def test_a_port_that_is_open_and_silent(machine: Machine) -> None:
    with liar(says(b"")) as port:
        error = refusal(at(port, machine), timeout_s=0.4)
    assert error.may_pass
    assert "said nothing for 0." in str(error)


def test_a_port_that_closes_at_once(machine: Machine) -> None:
    with liar(says(b"", then_closes=True)) as port:
        error = refusal(at(port, machine))
    assert error.may_pass
    assert "closed the connection at once" in str(error)


@pytest.mark.parametrize(
    "greeting",
    [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x1b[2J\x00\xff\xfe\r\n" * 50, b"SSH-1.5-old\r\n", b"SSH-\r\n"],
    ids=["another protocol", "binary", "version 1", "half a version"],
)
@pytest.mark.parametrize("then_closes", [True, False], ids=["closes", "stays"])
def test_something_else_answers(machine: Machine, greeting: bytes, then_closes: bool) -> None:
    with liar(says(greeting, then_closes=then_closes)) as port:
        error = refusal(at(port, machine), timeout_s=1.0)
    assert "does not answer as an SSH server" in str(error) or "no answer" in str(error) or "in common" in str(error)


def test_a_server_that_says_who_it_is_and_then_nothing(machine: Machine) -> None:
    """A guest whose SSH server is in memory and whose disk hangs does this."""
    with liar(says(b"SSH-2.0-Saltmarsh\r\n")) as port:
        error = refusal(at(port, machine), timeout_s=0.7)
    assert error.may_pass
    assert "no answer for 0.7 s" in str(error)


def test_a_frozen_server(tmp_path: Path) -> None:
    made = Machine(tmp_path)
    try:
        made.freeze()
        error = refusal(made.access(), timeout_s=0.5)
        assert (error.may_pass, error.barred) == (True, False)
    finally:
        made.close()


def test_a_name_that_is_none(machine: Machine) -> None:
    error = refusal(
        machine.access(address=f"{'x' * 64}.example")
    )  # a label has 63 characters at most (RFC 1035, 2.3.4)
    assert not error.may_pass
    assert "name cannot be resolved" in str(error)


def test_an_address_on_an_interface_that_is_not_there(machine: Machine) -> None:
    """An IPv6 address with a zone (RFC 4007, section 11): no name, and the system refuses it all the same."""
    error = refusal(machine.access(address="fe80::1%nowhere0"))
    assert not error.may_pass
    assert "see 'address' in the lab" in str(error)


def test_another_host_key_than_the_labs(machine: Machine) -> None:
    other = public_line(new_key()[0])
    error = refusal(machine.access(**{"host-key": other}))
    assert (error.may_pass, error.barred) == (False, True)
    message = str(error)
    assert "HOST KEY CHANGED" in message
    assert message.count("SHA256:") == 2
    assert "'host-key' in the lab" in message


@pytest.mark.parametrize("line", ["ssh-ed25519 AAAA", "ssh-rsa AAAAC3NzaC1lZDI1NTE5AAAAIA=="])
def test_a_host_key_that_is_none(machine: Machine, line: str) -> None:
    error = refusal(machine.access(**{"host-key": line}))
    assert "is not a public key" in str(error)
    assert (error.may_pass, error.barred) == (False, True)


def test_an_unknown_host_key(machine: Machine, tmp_path: Path) -> None:
    absent = tmp_path / "known_hosts"
    error = refusal(machine.access(**{"host-key": None, "known-hosts": str(absent)}))
    assert (error.may_pass, error.barred) == (False, True)
    assert "its host key is unknown: it offers ssh-ed25519 SHA256:" in str(error)
    assert f"{absent} (which does not exist)" in str(error)
    assert f"[127.0.0.1]:{machine.port}" in str(error)
    assert not absent.exists()  # never added to


@needs_openssh_client
def test_fingerprints_are_those_that_openssh_shows(machine: Machine, tmp_path: Path) -> None:
    """Against ssh-keygen -l, an independent implementation."""
    (tmp_path / "key.pub").write_text(machine.host_key + "\n")
    told = subprocess.run(
        [str(KEYGEN), "-lf", str(tmp_path / "key.pub")], capture_output=True, text=True, check=True
    ).stdout
    error = refusal(machine.access(**{"host-key": None, "known-hosts": str(tmp_path / "none")}))
    assert told.split()[1] in str(error)


def test_a_key_that_is_not_authorized(machine: Machine, tmp_path: Path) -> None:
    (tmp_path / "other").write_text(new_key()[1])
    error = refusal(machine.access(identity=str(tmp_path / "other")))
    assert (error.may_pass, error.barred) == (False, True)
    assert "login refused for user 'guest'" in str(error)
    assert "SHA256:" in str(error)


def test_a_user_that_is_not_known(machine: Machine) -> None:
    assert "login refused for user 'root'" in str(refusal(machine.access(user="root")))


def _missing(path: Path) -> None:
    del path


def _folder(path: Path) -> None:
    path.mkdir()


def _encrypted(path: Path) -> None:
    paramiko.ECDSAKey.generate().write_private_key_file(str(path), password="salt")  # noqa: S106 - of a key that exists for this line only


def _public(path: Path) -> None:
    path.write_text(public_line(new_key()[0]) + "\n")


def _rubbish(path: Path) -> None:
    path.write_bytes(bytes(range(256)))


def _damaged(path: Path) -> None:
    path.write_text(new_key()[1].replace("A", "B"))


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (_missing, "does not exist"),
        (_folder, "cannot be read"),
        (_encrypted, "needs a passphrase"),
        (_public, "no private key"),
        (_rubbish, "no private key"),
        (_damaged, "no private key"),
    ],
)
def test_an_identity_that_cannot_be_used(
    machine: Machine, tmp_path: Path, make: Callable[[Path], None], reason: str
) -> None:
    path = tmp_path / "identity"
    make(path)
    error = refusal(machine.access(identity=str(path)))
    assert (error.may_pass, error.barred) == (False, True)
    assert reason in str(error)
    assert str(path) in str(error)


def test_without_identity_and_agent(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SSH_AUTH_SOCK", raising=False)
    error = refusal(machine.access(identity=None))
    assert "no SSH agent is running" in str(error)
    assert error.barred


def test_an_agent_that_does_not_answer(machine: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "agent"))
        listener.listen()
        monkeypatch.setenv("SSH_AUTH_SOCK", str(tmp_path / "agent"))
        assert "agent does not answer" in str(refusal(machine.access(identity=None), timeout_s=0.5))


@needs_openssh_client
def test_the_keys_of_an_agent(machine: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    where = str(tmp_path / "agent")
    monkeypatch.setenv("SSH_AUTH_SOCK", where)
    (tmp_path / "other").touch(mode=0o600)
    (tmp_path / "other").write_text(new_key()[1])
    with subprocess.Popen([str(AGENT), "-D", "-a", where], stdout=subprocess.DEVNULL) as agent:
        try:
            end_s = time.monotonic() + 10
            while not Path(where).exists() and time.monotonic() < end_s:
                time.sleep(0.02)
            assert "the SSH agent holds no key" in str(refusal(machine.access(identity=None)))
            for identity in (tmp_path / "other", machine.folder / "identity"):
                subprocess.run([str(ADD), "-q", str(identity)], check=True, capture_output=True)
            shell = machine.login(identity=None)  # the second key is the right one
            assert shell.run(["true"]).status == 0
            shell.close()
        finally:
            agent.terminate()
