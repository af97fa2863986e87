"""Who runs the tool, and who runs its guests."""

from __future__ import annotations

import os
import pwd
from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import SandboxError

_NO_SHELLS = frozenset({"", "nologin", "false", "sync"})
_UNPRIVILEGED = "nobody"


@dataclass(frozen=True)
class Account:
    """A user of this machine."""

    name: str
    uid: int
    gid: int
    shell: str

    @property
    def may_log_in(self) -> bool:
        """Whether its shell runs commands: an SSH server starts every command through it."""
        return Path(self.shell).name not in _NO_SHELLS


def tool_account() -> Account:
    """The user that this program runs as. Raises SandboxError when it has no entry in the user database."""
    uid = os.geteuid()
    try:
        return _account(pwd.getpwuid(uid))
    except KeyError as error:
        raise SandboxError(
            f"this program runs as user id {uid}, which this machine's user database does not list; libvirt and SSH"
            " need a user with a name: run it as one"
        ) from error


def guest_account(tool: Account) -> Account:
    """The user that libvirt and the guests run as: never root, whose libvirt would be the system's own."""
    if tool.uid != 0:
        return tool
    try:
        return _account(pwd.getpwnam(_UNPRIVILEGED))
    except KeyError as error:
        raise SandboxError(
            f"run as root, the sandbox gives its guests to the user {_UNPRIVILEGED!r}, which this machine does not"
            " have; run it as an ordinary user"
        ) from error


def _account(entry: pwd.struct_passwd) -> Account:
    return Account(entry.pw_name, entry.pw_uid, entry.pw_gid, entry.pw_shell or "/bin/sh")
