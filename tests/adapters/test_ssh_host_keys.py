"""Known-hosts files, as sshd(8) and RFC 4253 describe them, with ssh-keygen as the independent authority on hashing."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from orchestrator.adapters.ssh.host_keys import Expected, HostKey, expected_keys, offered_key
from orchestrator.adapters.ssh.peer import Peer
from orchestrator.core.design.lab import SshAccess
from orchestrator.errors import GuestFault
from orchestrator.hypervisors.here.keys import new_key, public_line

KEY, OTHER = new_key()[0], new_key()[0]
LINE, OTHER_LINE = public_line(KEY), public_line(OTHER)
KEYGEN = shutil.which("ssh-keygen")


def expected(text: str, tmp_path: Path, address: str = "bookings-1.example", port: int = 22) -> tuple[Expected, Peer]:
    (tmp_path / "known_hosts").write_text(text)
    access = SshAccess.model_validate(
        {"address": address, "port": port, "user": "bench", "known-hosts": str(tmp_path / "known_hosts")}
    )
    peer = Peer.of(access, "guest")
    return expected_keys(access, peer), peer


def accepts(text: str, tmp_path: Path, address: str = "bookings-1.example", port: int = 22) -> bool:
    keys, peer = expected(text, tmp_path, address, port)
    try:
        keys.check(offered_key(KEY), peer)
    except GuestFault:
        return False
    return True


@pytest.mark.parametrize(
    "names",
    [
        "bookings-1.example",
        "BOOKINGS-1.example",
        "other.example,bookings-1.example",
        "*.example",
        "bookings-?.example",
        "*,!bookings-2.example",
    ],
)
def test_names_that_match(names: str, tmp_path: Path) -> None:
    assert accepts(f"{names} {LINE} a comment\n", tmp_path)


@pytest.mark.parametrize(
    "names",
    [
        "bookings-2.example",
        "bookings-1",
        "bookings-1.example.org",
        "*.example,!bookings-1.example",
        "bookings-1xexample",
        "[bookings-1.example]:22",
        "|1|rubbish|rubbish",
        "|",
    ],
)
def test_names_that_do_not(names: str, tmp_path: Path) -> None:
    assert not accepts(f"{names} {LINE}\n", tmp_path)


def test_another_port_is_another_name(tmp_path: Path) -> None:
    assert accepts(f"[192.0.2.21]:2201 {LINE}\n", tmp_path, "192.0.2.21", 2201)
    assert not accepts(f"192.0.2.21 {LINE}\n", tmp_path, "192.0.2.21", 2201)
    assert not accepts(f"[192.0.2.21]:2202 {LINE}\n", tmp_path, "192.0.2.21", 2201)


@pytest.mark.parametrize(
    "text", ["", "#\n", "\0\xff\n", "a b\n", "x y z\n", "@\n", "@revoked\n", "h ssh-ed25519 ???\n"]
)
def test_lines_that_say_nothing_are_passed_over(text: str, tmp_path: Path) -> None:
    assert accepts(f"{text}bookings-1.example {LINE}\n", tmp_path)


def test_a_comment_is_no_entry(tmp_path: Path) -> None:
    assert not accepts(f"#bookings-1.example {LINE}\n", tmp_path)


def test_any_of_several_keys_is_right_and_the_known_kind_is_asked_for_first(tmp_path: Path) -> None:
    keys, _ = expected(f"bookings-1.example {OTHER_LINE}\nbookings-1.example {LINE}\n", tmp_path)
    assert len(keys.keys) == 2
    assert accepts(f"bookings-1.example {OTHER_LINE}\nbookings-1.example {LINE}\n", tmp_path)
    assert keys.prefer(("rsa-sha2-512", "ssh-ed25519", "x")) == ("ssh-ed25519", "rsa-sha2-512", "x")
    rsa = Expected("a file", (HostKey("ssh-rsa", b""),))
    assert rsa.prefer(("ssh-ed25519", "rsa-sha2-512", "ssh-rsa")) == ("rsa-sha2-512", "ssh-rsa", "ssh-ed25519")


def test_a_revoked_key_is_refused_even_when_it_is_listed(tmp_path: Path) -> None:
    text = f"bookings-1.example {LINE}\n@revoked * {LINE}\n"
    keys, peer = expected(text, tmp_path)
    with pytest.raises(GuestFault, match="marked as revoked") as raised:
        keys.check(offered_key(KEY), peer)
    assert raised.value.barred


def test_certificates_are_not_supported_and_that_is_said(tmp_path: Path) -> None:
    keys, peer = expected(f"@cert-authority *.example {LINE}\n", tmp_path)
    with pytest.raises(GuestFault, match="a certificate authority, which is not supported"):
        keys.check(offered_key(KEY), peer)


def test_a_file_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    access = SshAccess.model_validate({"address": "192.0.2.21", "user": "bench", "known-hosts": str(tmp_path)})
    with pytest.raises(GuestFault, match="cannot be read"):
        expected_keys(access, Peer.of(access, "guest"))


@pytest.mark.real
@pytest.mark.skipif(KEYGEN is None, reason="ssh-keygen is not installed (Debian package openssh-client)")
def test_names_hashed_by_openssh(tmp_path: Path) -> None:
    names = ("bookings-1.example", "[192.0.2.21]:2201", "192.0.2.22")
    (tmp_path / "known_hosts").write_text("".join(f"{name} {LINE}\n" for name in names))
    subprocess.run([str(KEYGEN), "-H", "-f", str(tmp_path / "known_hosts")], check=True, capture_output=True)
    text = (tmp_path / "known_hosts").read_text()
    assert "192.0.2" not in text
    assert accepts(text, tmp_path)
    assert accepts(text, tmp_path, "192.0.2.21", 2201)
    assert accepts(text, tmp_path, "192.0.2.22")
    assert not accepts(text, tmp_path, "192.0.2.21")
    assert not accepts(text, tmp_path, "192.0.2.22", 2201)
