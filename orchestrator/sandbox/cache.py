"""The folder in which packages and images are kept: nothing half-made is ever taken for whole, and all of it can go.

Builders work in folders of their own beside the final ones and hold a lock in them, so that what a killed builder left
behind is told from what a living one works on.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from orchestrator.errors import SandboxError
from orchestrator.units import Bytes

#: Name of the folder with packages as downloaded.
PACKAGES = "packages"
#: What every name of something unfinished begins with.
PARTIAL = ".partial-"


@dataclass(frozen=True)
class Kept:
    """Something in the cache.

    Attributes:
        path: the image's folder.
        recipe: what it was built by.
        size: of its files.
    """

    path: Path
    recipe: str
    size: Bytes


def kept(cache: Path) -> list[Kept]:
    """All images in a cache, by name; those that no recipe gives any more are among them."""
    found = []
    for told in sorted(cache.glob("*-*/recipe.json")):
        size = sum(part.stat().st_size for part in told.parent.iterdir())
        found.append(Kept(told.parent, told.parent.name.rpartition("-")[0], size))
    return found


def clear(cache: Path) -> Bytes:
    """Remove every image and package from a cache, but nothing else that may be there.

    Returns:
        How much that was.
    """
    with explained(cache):
        clear_partial(cache)
        doomed = [*(item.path for item in kept(cache)), cache / PACKAGES]
        files = [path for place in doomed for path in place.rglob("*") if path.is_file()]
        size = sum(path.stat().st_size for path in files)
        for place in doomed:
            shutil.rmtree(place, ignore_errors=True)
        with contextlib.suppress(OSError):  # somebody else's files are in it, or it is not there
            cache.rmdir()
    return size


@contextlib.contextmanager
def scratch(cache: Path) -> Iterator[Path]:
    """A folder beside the final one, locked for as long as its builder lives."""
    path, lock = _locked(cache)
    try:
        yield path
    finally:
        shutil.rmtree(path, ignore_errors=True)
        lock.close()


def _locked(cache: Path) -> tuple[Path, IO[str]]:
    while True:
        path = Path(tempfile.mkdtemp(prefix=PARTIAL, dir=cache))
        lock = (path / "lock").open("w")
        fcntl.flock(lock, fcntl.LOCK_EX)
        if path.exists():
            return path, lock
        lock.close()  # somebody clearing up was faster than the lock


def clear_partial(cache: Path) -> None:
    """Remove what builders left behind that were killed."""
    for path in cache.glob(f"{PARTIAL}*"):
        with contextlib.suppress(OSError), (path / "lock").open() as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)  # fails while its builder lives
            shutil.rmtree(path)


def sha256(path: Path) -> str:
    """Digest of a file as hexadecimal text."""
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def write_new(path: Path, content: bytes, permissions: int = 0o644) -> None:
    """Write a file that does not exist yet; it is on the disk when this returns."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, permissions)
    with os.fdopen(descriptor, "wb") as target:
        target.write(content)
        target.flush()
        os.fsync(target.fileno())


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Translate a refusal of the operating system to write to a place into a :class:`SandboxError`."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise SandboxError(
            f"{error.filename or path} cannot be written: {reason}; check the folder and the disk"
        ) from error
