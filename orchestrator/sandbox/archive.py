"""Archives that the Linux kernel unpacks into its first root file system: cpio in the form "newc".

The form is that of the kernel's documentation, ``driver-api/early-userspace/buffer-format``: a header of ASCII
hexadecimal fields, the name, the content, each padded to four bytes, and a last entry ``TRAILER!!!``. Archives may
follow one another in one file; a later entry replaces an earlier one. Owner and device numbers are only text in a
header, so that writing device nodes of root takes no privilege. The same tree always gives the same bytes.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

#: 2020-01-01 00:00 UTC: some programs take a file of 1970 for damaged.
MODIFIED_S = 1_577_836_800

_MAGIC = b"070701"
_TRAILER = "TRAILER!!!"
_ALIGN = 4
_LARGEST = 2**32 - 1


@dataclass(frozen=True)
class Entry:
    """One file, folder, symbolic link or device node.

    Attributes:
        mode: type and permissions as in ``st_mode``.
        content: a file's bytes, or a symbolic link's target.
        device: major and minor number of a device node.
    """

    mode: int
    content: bytes = b""
    device: tuple[int, int] = (0, 0)


#: Paths without a leading slash, such as ``usr/bin/work``, and what is there.
Tree = Mapping[str, Entry]


def file(content: bytes, permissions: int = 0o644) -> Entry:
    """An ordinary file."""
    return Entry(stat.S_IFREG | permissions, content)


def folder(permissions: int = 0o755) -> Entry:
    """A folder."""
    return Entry(stat.S_IFDIR | permissions)


def link(target: str) -> Entry:
    """A symbolic link."""
    return Entry(stat.S_IFLNK | 0o777, target.encode())


def character_device(major: int, minor: int, permissions: int = 0o600) -> Entry:
    """A character device node."""
    return Entry(stat.S_IFCHR | permissions, device=(major, minor))


def with_folders(tree: Tree) -> dict[str, Entry]:
    """The tree with every folder above its entries, which the kernel does not make by itself, sorted by path."""
    whole = dict(tree)
    for path in tree:
        for parent in PurePosixPath(path).parents:
            if str(parent) != ".":
                whole.setdefault(str(parent), folder())
    return dict(sorted(whole.items()))


def newc(tree: Tree) -> bytes:
    """Write a tree as one archive.

    Args:
        tree: what is to be in it; folders that are not named get mode 0755. Everything belongs to root.

    Returns:
        The archive, padded to a multiple of four bytes so that another one can follow it.

    Raises:
        ValueError: a path is absolute, not in its shortest form or the name of the last entry, or goes through a file.
    """
    whole = with_folders(tree)
    for path in whole:
        _refuse_odd(path, whole)
    pieces: list[bytes] = []
    for number, (path, entry) in enumerate(whole.items(), start=1):
        pieces += _entry(number, path, entry)
    pieces += _entry(0, _TRAILER, Entry(0), modified_s=0)
    return b"".join(pieces)


def _refuse_odd(path: str, whole: Tree) -> None:
    if path.startswith("/") or str(PurePosixPath(path)) != path or ".." in PurePosixPath(path).parts:
        raise ValueError(f"{path!r} is not a path below the root in its shortest form")
    if path == _TRAILER or "\0" in path:
        raise ValueError(f"no entry can be called {path!r}")
    above = str(PurePosixPath(path).parent)
    if above != "." and not stat.S_ISDIR(whole[above].mode):
        raise ValueError(f"{path!r} lies below {above!r}, which is no folder")
    if len(whole[path].content) > _LARGEST:
        raise ValueError(f"{path!r} is larger than the form allows (4 GiB)")


def _entry(number: int, path: str, entry: Entry, modified_s: int = MODIFIED_S) -> Iterator[bytes]:
    name = path.encode() + b"\0"
    links = 2 if stat.S_ISDIR(entry.mode) else 1
    major, minor = entry.device
    owner = group = container_major = container_minor = check = 0
    header = (
        number,
        entry.mode,
        owner,
        group,
        links,
        modified_s,
        len(entry.content),
        container_major,
        container_minor,
        major,
        minor,
        len(name),
        check,
    )
    start = _MAGIC + b"".join(b"%08x" % field for field in header) + name
    yield start
    yield _padding(len(start))
    yield entry.content
    yield _padding(len(entry.content))


def _padding(length: int) -> bytes:
    return bytes(-length % _ALIGN)
