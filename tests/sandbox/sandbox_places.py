"""Folders that a sandbox can live in: short, for its sockets, and passable for the user that root's guests run as."""

from __future__ import annotations

import os
import pwd
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from orchestrator.sandbox.accounts import Account, tool_account
from orchestrator.sandbox.folders import prepare
from orchestrator.sandbox.layout import Layout, layout_of
from orchestrator.sandbox.processes import ProcessId


@contextmanager
def short_folder(owner: Account | None = None) -> Iterator[Path]:
    """A folder of its own in the system's place for temporary files."""
    folder = Path(tempfile.mkdtemp(prefix="sb-"))
    try:
        folder.chmod(0o755)
        if owner is not None and owner.uid != os.geteuid():
            os.chown(folder, owner.uid, owner.gid)
        yield folder
    finally:
        shutil.rmtree(folder)


def made_layout(folder: Path) -> Layout:
    """A sandbox's folders, made for this process's user alone."""
    tool = tool_account()
    layout = layout_of(folder / "s", tool)
    prepare(layout, tool, tool)
    return layout


def process_id(pid: int) -> ProcessId:
    """A running process, as a sandbox's state has it."""
    started = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19])
    return ProcessId(pid=pid, started=started, boot=Path("/proc/sys/kernel/random/boot_id").read_text().strip())


def ordinary_account() -> Account:
    """Somebody on this machine who is not root: who can log in, if there is such a user."""
    everybody = [Account(e.pw_name, e.pw_uid, e.pw_gid, e.pw_shell) for e in pwd.getpwall() if e.pw_uid != 0]
    return next((user for user in everybody if user.may_log_in), everybody[-1])
