"""What is known to be missing for a login without making one: keys and host keys on this machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.hypervisors.here.keys import new_key, public_line


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home with a key, and a list of host keys that names the machine."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("SSH_AUTH_SOCK", raising=False)
    (tmp_path / "identity").touch(mode=0o600)
    (tmp_path / "identity").write_text(new_key()[1])
    (tmp_path / ".ssh").mkdir()
    (tmp_path / ".ssh/known_hosts").write_text(f"192.0.2.11 {public_line(new_key()[0])}\n")
    return tmp_path


def obstacle(**told: object) -> str | None:
    # Nobody is at that address (RFC 5737): a connection that was tried would not be refused at once.
    access = {"address": "192.0.2.11", "user": "bench", "identity": "~/identity"} | told
    given = SshAccess.model_validate({name: value for name, value in access.items() if value is not None})
    return SshConnector(SystemClock()).obstacle(given, machine="guest")


@pytest.mark.usefixtures("home")
def test_with_key_and_host_key_nothing_is_missing() -> None:
    assert obstacle() is None
    assert obstacle(**{"known-hosts": "~/none", "host-key": public_line(new_key()[0])}) is None


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"identity": "~/keys/none"}, "keys/none does not exist; see 'identity' in the lab"),
        ({"identity": "~/.ssh"}, "cannot be read"),
        ({"identity": "~/.ssh/known_hosts"}, "is no private key"),
        ({"identity": None}, "no SSH agent is running"),
        ({"known-hosts": "~/none"}, "none (which does not exist) has no key for 192.0.2.11. Read the key on the"),
        ({"known-hosts": "~/.ssh"}, "known-hosts file"),
        ({"address": "192.0.2.12"}, "has no key for 192.0.2.12"),
        ({"host-key": "ssh-ed25519 AAAAnonsense"}, "is not a public key"),
    ],
)
def test_what_is_missing_is_told(home: Path, told: dict[str, object], says: str) -> None:
    found = obstacle(**told)
    assert says in (found or "")
    assert "~" not in (found or ""), f"paths are under {home}"
    assert (found or "").startswith("guest bench@192.0.2.")
