"""Debian packages as material for a guest: which ones, in which version, and the files in them.

Nothing is installed: packages are downloaded by apt as the present user, which checks them against the archive's
signatures, and read where they lie.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import stat
import tarfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import SandboxError
from orchestrator.sandbox import archive
from orchestrator.sandbox.archive import Entry
from orchestrator.sandbox.cache import clear_partial, scratch
from orchestrator.sandbox.commands import Runner

_APT_GET = ("apt-get", "-qq", "-o", "APT::Sandbox::User=root")
_DEPENDS = (
    *("apt-cache", "depends", "--recurse", "--important", "--no-conflicts", "--no-breaks", "--no-replaces"),
    *("--no-enhances", "--no-suggests", "--no-recommends"),
)
_URI = re.compile(r"^'(?P<uri>[^']*)' (?P<file>\S+) (?P<size>\d+)(?: (?P<check>\S+))?$")
#: Folders that are links into usr since Debian 12; packages may still use the old names.
_MERGED = frozenset({"bin", "sbin", "lib", "lib32", "lib64", "libx32"})


@dataclass(frozen=True)
class Package:
    """One package in one version.

    Attributes:
        name: such as ``busybox-static``.
        file: name of its file, which holds name, version and architecture.
        size: in bytes.
        check: ``SHA256:`` and the digest, as the archive's signed lists have it.
    """

    name: str
    file: str
    size: int
    check: str

    def is_whole(self, path: Path) -> bool:
        """Whether a file is this package, to the last bit."""
        algorithm, _, digest = self.check.partition(":")
        try:
            if path.stat().st_size != self.size:
                return False
            with path.open("rb") as content:
                return hashlib.file_digest(content, algorithm.lower()).hexdigest() == digest
        except (FileNotFoundError, ValueError):
            return False


def closure(roots: Sequence[str], left_out: str, run: Runner) -> list[str]:
    """Packages and what they depend on.

    Args:
        roots: names to begin with; a package that only depends on another one leads to that.
        left_out: pattern of names that are not followed: what is needed to install, not to run.
        run: runs apt-cache.

    Returns:
        Names, sorted. Of alternatives the first is taken, of a virtual package its first provider.

    Raises:
        SandboxError: apt does not know one of the roots.
    """
    known = _graph(run([*_DEPENDS, *roots]).decode())
    unknown = [name for name in roots if name not in known]
    if unknown:
        raise SandboxError(
            f"apt knows no package {', '.join(unknown)}; refresh its lists with: sudo apt-get update "
            "(guests are built from Debian 12 or later)"
        )
    pattern, found, waiting = re.compile(left_out), set[str](), list(roots)
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += [other for other in known.get(name, ()) if not pattern.fullmatch(other)]
    return sorted(found)


def _graph(text: str) -> dict[str, list[str]]:
    """Read what ``apt-cache depends --recurse`` prints: a name, then its dependencies, indented."""
    graph: dict[str, list[str]] = {}
    current: list[str] = []
    alternative = virtual = False
    for line in text.splitlines():
        words = line.split()
        if not line.startswith(" "):
            current = [] if line.startswith("<") else graph.setdefault(line.split(":")[0], [])
            alternative = virtual = False
        elif len(words) == 2 and words[0].endswith("Depends:"):
            name = words[1].split(":")[0]
            virtual = name.startswith("<") and not alternative
            if not alternative and not virtual:
                current.append(name)
            alternative = words[0].startswith("|")
        elif virtual and len(words) == 1:
            current.append(words[0].split(":")[0])
            virtual = False
    return graph


def resolve(names: Sequence[str], run: Runner) -> list[Package]:
    """The version of each package that apt would take now, without downloading it.

    Raises:
        SandboxError: apt cannot get one of them, or its lists give no digest.
    """
    lines = run([*_APT_GET, "download", "--print-uris", *names]).decode().splitlines()
    found = [match for line in lines if (match := _URI.match(line))]
    packages = {
        p.name: p for m in found if (p := Package(m["file"].split("_")[0], m["file"], int(m["size"]), m["check"] or ""))
    }
    lacking = [name for name in names if name not in packages or not packages[name].check]
    if lacking:
        raise SandboxError(
            f"apt does not tell where to get {', '.join(lacking)}; refresh its lists with: sudo apt-get update"
        )
    return [packages[name] for name in names]


def download(packages: Sequence[Package], store: Path, run: Runner) -> list[Path]:
    """Have each package in a folder; those that are there and whole are not downloaded again.

    Returns:
        Their files, in the given order.

    Raises:
        SandboxError: apt could not get one.
    """
    store.mkdir(parents=True, exist_ok=True)
    wanted = [package for package in packages if not package.is_whole(store / package.file)]
    if wanted:
        clear_partial(store)
        with scratch(store) as folder:
            _fetch(wanted, folder, run)
            for package in wanted:
                (folder / package.file).replace(store / package.file)
    return [store / package.file for package in packages]


def _fetch(wanted: Iterable[Package], place: Path, run: Runner) -> None:
    try:
        run([*_APT_GET, "download", *(package.name for package in wanted)], folder=place)
    except SandboxError as error:
        raise SandboxError(
            f"packages for the guests cannot be downloaded ({error}); is the Debian archive reachable, and are apt's "
            "lists of today (sudo apt-get update)?"
        ) from error
    torn = [package.file for package in wanted if not package.is_whole(place / package.file)]
    if torn:
        raise SandboxError(f"apt did not bring {', '.join(torn)} as its lists have it; try again after: apt-get update")


def contents(package: Path, wanted: Callable[[str], bool], run: Runner) -> dict[str, Entry]:
    """Read files out of a package.

    Args:
        package: its file.
        wanted: asked for each path, such as ``usr/bin/psql``: old names such as ``bin/`` and ``lib/`` are given as
            ``usr/bin/`` and ``usr/lib/``.
        run: runs dpkg-deb, which unpacks the archive inside.

    Returns:
        Path to file, link or folder, owner and time left out.
    """
    unpacked = io.BytesIO(run(["dpkg-deb", "--fsys-tarfile", str(package)]))
    found: dict[str, Entry] = {}
    with tarfile.open(fileobj=unpacked, mode="r:") as packed:
        for member in packed:
            path = merged(member.name)
            if not path or not wanted(path):
                continue
            if member.isdir():
                found[path] = archive.folder(stat.S_IMODE(member.mode))
            elif member.issym():
                found[path] = archive.link(member.linkname)
            elif (content := packed.extractfile(member)) is not None:  # a hard link is read as what it links to
                found[path] = archive.file(content.read(), stat.S_IMODE(member.mode))
    return found


def merged(path: str) -> str:
    """A path below the root, where ``/bin``, ``/lib`` and their like are links into ``/usr``; without leading slash."""
    plain = os.path.normpath(path).lstrip("/")
    if plain in {".", ""}:
        return ""
    return f"usr/{plain}" if plain.split("/")[0] in _MERGED else plain
