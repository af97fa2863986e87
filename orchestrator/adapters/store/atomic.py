"""Writing that is either whole or not there.

A file or folder is made under a temporary name beside its final one (a rename across file systems is no rename), every
file in it is synced, and then one rename makes it appear; syncing the parent makes the rename itself last (rename(2),
fsync(2)). What a crash leaves behind is a name that starts with :data:`PARTIAL` and is never read.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import shutil
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from orchestrator.errors import StoreError

PARTIAL = ".partial-"

_FREE_SPACE = "free some space there; what is already kept stays, and an unfinished run can be resumed"
_REASONS = {
    errno.ENOSPC: ("the disk is full", _FREE_SPACE),
    errno.EDQUOT: ("the disk quota is used up", _FREE_SPACE),
    errno.EFBIG: ("the file would be larger than this process may write", "raise the file size limit (ulimit -f)"),
    errno.EROFS: ("the file system is read-only", "mount it writable"),
    errno.EACCES: ("permission is denied", "give this user access to it"),
    errno.EPERM: ("the operation is not permitted", "give this user access to it"),
    errno.ENOENT: ("it is not there any more, or a folder above it is", "bring it back"),
    errno.ENOTDIR: ("a part of the path is a file, not a folder", "choose another results folder"),
    errno.ENAMETOOLONG: ("the name is too long for this file system", "shorten the name it was made from"),
    errno.EIO: ("the disk reports an input/output error", "check the disk before trusting anything on it"),
}
#: What helps besides where something was to be written.
_TO_WRITE = dict.fromkeys((errno.EROFS, errno.EACCES, errno.EPERM), " or choose another results folder") | {
    errno.ENOENT: ", then go on with the run"
}


@contextlib.contextmanager
def explained(action: str, path: Path) -> Iterator[None]:
    """Translate a refusal of the operating system into a :class:`StoreError`: which file, why, and what to do.

    Args:
        action: what was being done, as an infinitive: ``write``, ``read``.
        path: what it was being done to, where the error itself does not say.
    """
    try:
        yield
    except OSError as error:
        why, remedy = _REASONS.get(error.errno or 0, (error.strerror or str(error), "check the path and the disk"))
        also = _TO_WRITE.get(error.errno or 0, "") if action == "write" else ""
        raise StoreError(f"cannot {action} {error.filename or path}: {why}; {remedy}{also}") from error


def _write_new(path: Path, content: bytes, mode: int = 0o666) -> None:
    """Write a file that does not exist yet; it is not synced."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        write_all(descriptor, content, path)
    finally:
        os.close(descriptor)


def write_all(descriptor: int, content: bytes, path: Path) -> None:
    """Write every byte; a failure names the file (the system call does not know it)."""
    rest = memoryview(content)
    try:
        while rest:
            rest = rest[os.write(descriptor, rest) :]
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from error


def sync(path: Path) -> None:
    """Make a file's content, or the names in a folder, last."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some network file systems cannot sync a folder, and do not need to
            raise OSError(error.errno, error.strerror, str(path)) from error
    finally:
        os.close(descriptor)


def make_folders(path: Path) -> None:
    """Make a folder, and those above it, whose names last.

    Raises:
        OSError: when the system refuses.
    """
    made = [folder for folder in (path, *path.parents) if not folder.exists()]
    path.mkdir(parents=True, exist_ok=True)
    for folder in reversed(made):
        sync(folder.parent)


def _sync_together(paths: list[Path]) -> None:
    """Sync files side by side: the file system then commits them in one go instead of one after the other."""
    with ThreadPoolExecutor(max_workers=8) as pool:
        list(pool.map(sync, paths))


def replace_file(path: Path, content: bytes) -> None:
    """Write a file, or replace it: readers see the old content or the new, never a part.

    Raises:
        StoreError: when the system refuses; the old content is then still there.
    """
    partial = path.with_name(f"{PARTIAL}{path.name}-{secrets.token_hex(4)}")
    with explained("write", path):
        try:
            _write_new(partial, content)
            sync(partial)
            partial.replace(path)
        except BaseException:
            partial.unlink(missing_ok=True)
            raise
        sync(path.parent)


def write_folder(folder: Path, files: Mapping[str, bytes], *, private: bool = False) -> None:
    """Make a folder with everything in it appear at once.

    Args:
        folder: its final path; the parent exists.
        files: relative path (with ``/``) to content.
        private: whether only the owner may read it.

    Raises:
        OSError: when the system refuses, or a folder that is not empty has that name; nothing is left behind then.
    """
    partial = folder.with_name(f"{PARTIAL}{folder.name}-{secrets.token_hex(4)}")
    partial.mkdir(0o700 if private else 0o777)
    try:
        for name, content in files.items():
            path = partial / name
            path.parent.mkdir(parents=True, exist_ok=True)
            _write_new(path, content, 0o600 if private else 0o666)
        _sync_together([path for path in partial.rglob("*") if not path.is_dir()])
        for inner in (*(path for path in partial.rglob("*") if path.is_dir()), partial):
            sync(inner)
        partial.rename(folder)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    sync(folder.parent)
