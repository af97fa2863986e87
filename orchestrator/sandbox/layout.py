"""Where a sandbox keeps what."""

from __future__ import annotations

import os
import pwd
import re
from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import InputError, Problem
from orchestrator.sandbox.accounts import Account

#: Bytes that Linux has for the path of a Unix socket (sun_path of unix(7)), without the final zero.
SOCKET_PATH_BYTES = 107
#: Where root's sandbox is: root's home is closed to the user that its guests run as.
FOR_ROOT = Path("/var/lib/trialbed/sandbox")
#: The longest socket under the folder: QEMU's monitor, with room for a domain number of four digits.
_LONGEST_SOCKET = "cfg/libvirt/qemu/lib/domain-9999-timetable-1/monitor.sock"
_PLAIN = re.compile(r"[A-Za-z0-9._+@/-]+")


@dataclass(frozen=True)
class Layout:
    """Paths of a sandbox; ``root`` is absolute and free of symbolic links."""

    root: Path

    @property
    def state(self) -> Path:
        """What was started and made."""
        return self.root / "state.json"

    @property
    def lock(self) -> Path:
        """Held by whoever changes the sandbox."""
        return self.root / "lock"

    @property
    def keys(self) -> Path:
        """The login key ``identity`` and the host keys."""
        return self.root / "keys"

    @property
    def identity(self) -> Path:
        """The private key that logs in to the guests and to the host."""
        return self.keys / "identity"

    @property
    def known_hosts(self) -> Path:
        """The public host keys, for OpenSSH's client."""
        return self.keys / "known_hosts"

    def host_key(self, machine: str) -> Path:
        """The private host key of a machine."""
        return self.keys / f"{machine}-host-key"

    @property
    def kernel(self) -> Path:
        """The guests' kernel: a copy, since the images' cache may be closed to the user that guests run as."""
        return self.images / "vmlinuz"

    def initrd(self, guest: str) -> Path:
        """A guest's root file system, with its host key."""
        return self.images / f"{guest}.initrd"

    def console_of(self, guest: str) -> Path:
        """What a guest says on its console."""
        return self.console / f"{guest}.log"

    @property
    def images(self) -> Path:
        """Kernel and initrds of the guests."""
        return self.root / "images"

    @property
    def xml(self) -> Path:
        """The guests' definitions as they were made."""
        return self.root / "xml"

    @property
    def console(self) -> Path:
        """The guests' consoles."""
        return self.root / "console"

    @property
    def sshd(self) -> Path:
        """Configuration and log of the host's login."""
        return self.root / "sshd"

    @property
    def ssh_config(self) -> Path:
        """For whoever wants to look around with OpenSSH's client."""
        return self.root / "ssh_config"

    @property
    def daemon_log(self) -> Path:
        """What the libvirt daemon says."""
        return self.root / "daemon.log"

    @property
    def lab(self) -> Path:
        """The lab file, where no other place is asked for."""
        return self.root / "lab.yaml"

    @property
    def daemon_environment(self) -> dict[str, str]:
        """Everything that libvirt keeps in a user's home goes into the folder."""
        places = {"RUNTIME_DIR": "run", "CONFIG_HOME": "cfg", "CACHE_HOME": "cache", "DATA_HOME": "data"}
        return {f"XDG_{key}": str(self.root / name) for key, name in places.items()} | {
            "XDG_STATE_HOME": str(self.root / "data"),
            "HOME": str(self.root / "data"),
        }


def default_folder(account: Account) -> Path:
    """Where a sandbox is kept unless told otherwise.

    ``$XDG_STATE_HOME/trialbed/sandbox``. Root's home is closed to the user that root's guests run as, so root's
    is under ``/var/lib``.
    """
    if told := os.environ.get("XDG_STATE_HOME"):
        return Path(told) / "trialbed/sandbox"
    return FOR_ROOT if account.uid == 0 else Path.home() / ".local/state/trialbed/sandbox"


def default_cache() -> Path:
    """Where images are kept: ``$XDG_CACHE_HOME/trialbed``."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "trialbed"


def refuse(folder: Path, message: str) -> InputError:
    """An error about the folder as a whole."""
    return InputError([Problem(str(folder), "", message)])


def layout_of(folder: Path, tool: Account) -> Layout:
    """The layout under ``folder``, existing or not. Raises InputError when it cannot be one, or is another user's."""
    try:
        root = folder.expanduser().resolve()
        owner = root.stat().st_uid if root.exists() else tool.uid
        wrong_kind = root.exists() and not root.is_dir()
    except (OSError, RuntimeError) as error:
        raise refuse(folder, f"cannot be used as the sandbox's folder: {reason(error)}") from error
    if wrong_kind:
        raise refuse(root, "is not a folder; name one that exists or can be made")
    if not _PLAIN.fullmatch(str(root)):
        raise refuse(
            root, "the folder's path may hold letters, digits and . _ + @ - only; choose another with --folder"
        )
    if (excess := len(f"{root}/{_LONGEST_SOCKET}") - SOCKET_PATH_BYTES) > 0:
        raise refuse(
            root,
            f"the folder's path is {excess} characters too long: sockets are made under it, whose paths Linux limits to"
            f" {SOCKET_PATH_BYTES} bytes; choose a shorter one with --folder",
        )
    if owner != tool.uid:
        raise refuse(
            root, f"the folder belongs to {_user(owner)}, not to {tool.name}; name one of your own with --folder"
        )
    return Layout(root)


def reason(error: Exception) -> str:
    """What the system says, with the place that it says it of."""
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    return str(error)


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user id {uid}"
