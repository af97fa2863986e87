"""The lab file that makes the sandbox's guests ready to be measured."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from orchestrator.errors import InputError, Problem
from orchestrator.sandbox.cache import write_new
from orchestrator.sandbox.ports import LOOPBACK

FIRST_LINE = "# Written by `trialbed sandbox up`; `trialbed sandbox down` removes it.\n"
_PLANS_LABS = Path("plans/labs")
# A quoted YAML string keeps everything as it is: paths are free of quotes and backslashes, and so are keys.
_LOGIN = '{{address: {address}, port: {port}, user: "{user}", identity: "{identity}", host-key: "{host_key}"}}'
_HOST = """\
hosts:
  sandbox:
    hypervisor: libvirt
    uri: "{uri}"
{ssh}    with: {{require-mark: true}}
guests:
"""
_GUEST = """\
  {name}:
    host: sandbox
    ssh: {ssh}
    may-power-cycle: true
    force-off: true
    limits: {{vcpus: 4, memory: 2 GiB}}
"""


@dataclass(frozen=True)
class Login:
    """A login on a machine behind a port of the loopback address."""

    port: int
    user: str
    host_key: str


@dataclass(frozen=True)
class SandboxLab:
    """What the lab says; ``host`` is ``None`` where the host cannot be logged in to."""

    uri: str
    identity: Path
    host: Login | None
    guests: Mapping[str, Login]

    def text(self) -> str:
        """The file's content."""
        ssh = "" if self.host is None else f"    ssh: {self._login(self.host)}\n"
        guests = (_GUEST.format(name=name, ssh=self._login(login)) for name, login in self.guests.items())
        return FIRST_LINE + _HOST.format(uri=self.uri, ssh=ssh) + "".join(guests)

    def _machines(self, host_name: str) -> dict[str, Login]:
        return dict(self.guests) if self.host is None else {host_name: self.host, **self.guests}

    def ssh_config(self, host_name: str) -> str:
        """The same for OpenSSH's client: ``ssh -F FOLDER/ssh_config bookings-1``."""
        known = self.identity.with_name("known_hosts")
        parts = [
            f"Host {name}\n  HostName {LOOPBACK}\n  Port {login.port}\n  User {login.user}\n  HostKeyAlias {name}\n"
            for name, login in self._machines(host_name).items()
        ]
        return "".join(parts) + (
            f"Host *\n  IdentityFile {self.identity}\n  IdentitiesOnly yes\n  IdentityAgent none\n"
            f"  UserKnownHostsFile {known}\n  GlobalKnownHostsFile /dev/null\n  StrictHostKeyChecking yes\n"
            "  UpdateHostKeys no\n  BatchMode yes\n"
        )

    def known_hosts(self, host_name: str) -> str:
        """Every machine's host key by the machine's name."""
        return "".join(f"{name} {login.host_key}\n" for name, login in self._machines(host_name).items())

    def _login(self, login: Login) -> str:
        return _LOGIN.format(
            address=LOOPBACK, port=login.port, user=login.user, identity=self.identity, host_key=login.host_key
        )


def default_lab(folder_lab: Path) -> Path:
    """``plans/labs/sandbox.yaml`` where there is such a folder here, else the sandbox's own folder."""
    return _PLANS_LABS / "sandbox.yaml" if _PLANS_LABS.is_dir() else folder_lab


def check_place(lab: Path, sha256: str) -> None:
    """Insist on a place that may be written to.

    Args:
        lab: where the lab is to be.
        sha256: digest of the lab that this sandbox wrote there; empty when it wrote none.

    Raises:
        InputError: something else is there, or its folder is not.
    """
    if not lab.parent.is_dir():
        raise _refuse(lab, f"the folder {lab.parent} does not exist; make it, or name another file with --lab")
    if not os.access(lab.parent, os.W_OK):
        raise _refuse(lab, "the lab cannot be written there: no permission; name another file with --lab")
    if lab.is_dir():
        raise _refuse(lab, "is a folder; name a file with --lab")
    if not (lab.exists() or lab.is_symlink()) or digest(lab) == sha256:
        return
    whose = "this sandbox's lab, changed since it was written" if sha256 else "a lab that this sandbox did not write"
    raise _refuse(lab, f"is {whose}, and is not overwritten; move it away, or name another file with --lab")


def write_lab(lab: Path, text: str, sha256: str) -> str:
    """Write the lab whole; returns its SHA-256. Raises InputError as :func:`check_place`, and when the disk refuses."""
    check_place(lab, sha256)
    fresh = lab.with_name(f".{lab.name}.new")
    try:
        fresh.unlink(missing_ok=True)
        write_new(fresh, text.encode())  # never through a link that somebody has put there
        fresh.replace(lab)
    except OSError as error:
        raise _refuse(lab, f"the lab cannot be written: {error.strerror}") from error
    return hashlib.sha256(text.encode()).hexdigest()


def remove_lab(lab: Path, sha256: str) -> str:
    """Remove an unchanged lab; returns why it was left, empty when it has gone."""
    found = digest(lab)
    if found is None:
        return ""
    if found != sha256:
        return f"{lab} was left: it has been changed since it was written"
    try:
        lab.unlink()
    except OSError as error:
        return f"{lab} was left: it cannot be removed: {error.strerror}"
    return ""


def remove_lost_lab(lab: Path, root: Path) -> str:
    """Remove a lab of which no note was kept, if it is by its own words the one of the sandbox in ``root``.

    Returns:
        What was done, for a person.
    """
    lab = lab.absolute()
    elsewhere = (
        "a lab that was written elsewhere may be left: look for a file that begins with"
        f" {FIRST_LINE.strip()!r} and names {root}"
    )
    try:
        text = lab.read_text("utf-8", "replace")
    except OSError:
        return elsewhere
    if not (text.startswith(FIRST_LINE) and _names(text, root)):
        return f"{lab} is not this sandbox's and was left; {elsewhere}"
    try:
        lab.unlink()
    except OSError as error:
        return f"{lab} was left: it cannot be removed: {error.strerror}"
    return f"removed {lab}, which names this sandbox"


def _names(text: str, root: Path) -> bool:
    """Whether the host's uri leads to a daemon in this folder."""
    uris = [line.strip() for line in text.splitlines() if line.strip().startswith("uri:")]
    return any(f"?socket={quote(str(root))}/run/libvirt/" in uri for uri in uris)


def digest(lab: Path) -> str | None:
    """SHA-256 of a file, ``None`` when there is none that can be read."""
    try:
        return hashlib.sha256(lab.read_bytes()).hexdigest()
    except OSError:
        return None


def _refuse(lab: Path, message: str) -> InputError:
    return InputError([Problem(str(lab), "", message)])
