"""A sandbox's folders: made with no more permissions than who needs them has to have, and removed again."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.layout import FOR_ROOT, Layout, reason, refuse
from orchestrator.units import Bytes

_GUESTS_SIDE = ("console", "run", "cfg", "cache", "data")
_TOOLS_SIDE = ("images", "keys", "xml", "sshd")
#: The lock is removed last: until then nobody else may begin.
_FILES = ("lab.yaml", "ssh_config", "daemon.log", "state.json", "state.json.new", "lock")


def prepare(layout: Layout, tool: Account, guests: Account) -> list[Path]:
    """Make the folder with its parts, each open to no more than who needs it.

    What the daemon and QEMU write is theirs; where they run as another user than the tool, that user may pass through
    the folder to it and to the images, but reads neither keys nor state. The tool makes and changes nothing below a
    folder of that user's itself: a link put there would lead it anywhere.

    Returns:
        The folders above and including the root that were made, outermost first.

    Raises:
        InputError: it cannot be made, or the guests' user cannot get there.
    """
    try:
        if tool.uid != guests.uid:
            _refuse_closed_parents(layout.root, guests)
        made = _make_parents(layout.root, tool)
        passable = 0o700 if tool.uid == guests.uid else 0o711
        layout.root.chmod(passable)
        for name in _TOOLS_SIDE:
            _make(layout.root / name, tool)
        for name in _GUESTS_SIDE:
            _make(layout.root / name, guests)
        layout.images.chmod(passable)
    except OSError as error:
        raise refuse(layout.root, f"the sandbox's folder cannot be made: {reason(error)}") from error
    return made


def _make_parents(root: Path, tool: Account) -> list[Path]:
    missing = [place for place in (root, *root.parents) if not place.exists()][::-1]
    for place in missing:
        place.mkdir()
        place.chmod(0o755 if tool.uid == 0 else 0o700)
    return missing


def _make(place: Path, owner: Account) -> None:
    place.mkdir(exist_ok=True)
    place.chmod(0o700)
    if place.stat().st_uid != owner.uid:
        os.chown(place, owner.uid, owner.gid)


def _refuse_closed_parents(root: Path, guests: Account) -> None:
    for place in (place for place in reversed(root.parents) if place.exists()):
        found = place.stat()
        mine = 0o100 if found.st_uid == guests.uid else 0o010 if found.st_gid == guests.gid else 0o001
        if not found.st_mode & mine:
            raise refuse(
                root,
                f"run as root, the sandbox gives its guests to the user {guests.name!r}, who cannot pass through"
                f" {place}; choose another folder, for example --folder {FOR_ROOT}",
            )


def strangers(root: Path) -> list[str]:
    """Names in the folder that no sandbox makes."""
    known = {*_GUESTS_SIDE, *_TOOLS_SIDE, *_FILES}
    return sorted(place.name for place in root.iterdir() if place.name not in known)


def remove(layout: Layout, made: list[Path]) -> list[str]:
    """Remove what a sandbox makes, then its folder and those above it that it made, as far as they are empty.

    Returns:
        What was left in the folder because no sandbox makes it.

    Raises:
        InputError: something cannot be removed.
    """
    try:
        for name in (*_GUESTS_SIDE, *_TOOLS_SIDE):
            if (layout.root / name).exists():
                shutil.rmtree(layout.root / name)
        for name in _FILES:
            (layout.root / name).unlink(missing_ok=True)
        left = strangers(layout.root)
        for place in dict.fromkeys((layout.root, *reversed(made))):
            if place.is_dir() and not any(place.iterdir()):
                place.rmdir()
    except OSError as error:
        raise refuse(layout.root, f"not everything could be removed: {reason(error)}") from error
    return left


def disk_used(place: Path) -> Bytes:
    """Bytes on the disk under a folder; 0 when there is none."""
    total = 0
    for folder, _, names in os.walk(place):
        for name in names:
            try:
                total += (Path(folder) / name).lstat().st_blocks * 512
            except OSError:
                continue  # gone meanwhile
    return total
