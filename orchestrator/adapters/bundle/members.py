"""What an archive says of its entries, judged before one byte is unpacked. An archive is whatever somebody made it."""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from orchestrator.adapters.bundle.layout import BASE, LONGEST_PATH, NEEDED, NO_RUN, PART, PAYLOAD, TAG_FILES, Limits
from orchestrator.units import Bytes, format_size

_ENCRYPTED = 0x1 | 0x40 | 0x2000  # classic, strong, masked headers (APPNOTE.TXT 6.3.10, section 4.4.4)
_METHODS = frozenset({zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED})
_RATIO_FROM: Bytes = 2**20
_SHOWN = 120


class NotABundleError(Exception):
    """Why an archive is refused, as the end of a sentence that begins with its name."""


@dataclass(frozen=True)
class Member:
    """A file of the archive.

    Attributes:
        path: below the bag's folder, with ``/``.
        info: as the archive has it.
    """

    path: str
    info: zipfile.ZipInfo


@dataclass(frozen=True)
class Members:
    """The files of an archive: the name of the one folder they lie in, and each below it."""

    base: str
    files: tuple[Member, ...]


def checked(entries: Sequence[zipfile.ZipInfo], archive_bytes: Bytes, limits: Limits, free_bytes: Bytes) -> Members:
    """The entries as files of a bag.

    Args:
        entries: of the archive.
        archive_bytes: its size.
        limits: how much is too much.
        free_bytes: on the disk where it would be unpacked.

    Raises:
        NotABundleError: something about them is not as it must be.
    """
    if not entries:
        raise NotABundleError("holds nothing")
    if len(entries) > limits.entries:
        raise NotABundleError(f"has {len(entries)} entries, and no run has more than {limits.entries}")
    if min(entry.header_offset for entry in entries) != 0:
        raise NotABundleError("has other bytes before its first entry")
    files = [entry for entry in entries if not _folder(entry)]
    _sizes(files, archive_bytes, limits, free_bytes)
    base = _one_base(entries)
    members = Members(base, tuple(Member(entry.filename.removeprefix(f"{base}/"), entry) for entry in files))
    _distinct([entry.filename for entry in files], [entry.filename for entry in entries if _folder(entry)])
    _belong(member.path for member in members.files)
    return members


def quoted(name: str) -> str:
    """A name from an archive, fit to stand in a message of one line."""
    shown = name if len(name) <= _SHOWN else f"{name[:_SHOWN]}..."
    return ascii(shown)


def _folder(entry: zipfile.ZipInfo) -> bool:
    """Whether an entry is a folder; each is looked at, since others than us may have packed it."""
    name = quoted(entry.orig_filename)
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind == stat.S_IFLNK:
        raise NotABundleError(f"holds a link, {name}; a bundle holds files only")
    if kind not in {0, stat.S_IFREG, stat.S_IFDIR}:
        raise NotABundleError(f"holds {name}, which is no file (device, pipe or socket)")
    if entry.flag_bits & _ENCRYPTED:
        raise NotABundleError(f"has an encrypted entry, {name}; a bundle is readable by everybody")
    _safe(entry)
    if entry.is_dir() != (kind == stat.S_IFDIR) and kind:
        raise NotABundleError(f"says of {name} both that it is a file and that it is a folder")
    if entry.is_dir() and entry.file_size:
        raise NotABundleError(f"has a folder with content, {name}")
    if entry.compress_type not in _METHODS:
        raise NotABundleError(f"compresses {name} in a way that bundles are not (method {entry.compress_type})")
    return entry.is_dir()


def _safe(entry: zipfile.ZipInfo) -> None:
    written = entry.orig_filename
    name = quoted(written)
    if written.startswith(("/", "\\")) or written[1:3] in {":/", ":\\"}:
        raise NotABundleError(f"has an absolute path, {name}")
    if ".." in written.replace("\\", "/").split("/"):
        raise NotABundleError(f"has a path that leads out of its folder, {name}")
    if len(written) > LONGEST_PATH:
        raise NotABundleError(f"has a path of {len(written)} characters, {name}")
    parts = written.removesuffix("/").split("/")
    if written != entry.filename or "." in parts or not all(PART.fullmatch(part) for part in parts):
        raise NotABundleError(f"has a path with characters or parts that no bundle has, {name}")


def _sizes(files: Sequence[zipfile.ZipInfo], archive_bytes: Bytes, limits: Limits, free_bytes: Bytes) -> None:
    for entry in files:
        name = quoted(entry.filename)
        if entry.file_size > limits.file_bytes:
            raise NotABundleError(
                f"would unpack {name} to {format_size(entry.file_size)}, too large for a file of a run"
            )
        if entry.file_size > max(_RATIO_FROM, limits.ratio * entry.compress_size):
            raise NotABundleError(
                f"would blow up {name} from {format_size(entry.compress_size)} to {format_size(entry.file_size)}"
            )
    total = sum(entry.file_size for entry in files)
    if total > limits.bytes:
        raise NotABundleError(f"would unpack to {format_size(total)}, too large for a run")
    if sum(entry.compress_size for entry in files) > archive_bytes:
        raise NotABundleError("has entries that overlap each other")
    if total > free_bytes:
        raise NotABundleError(
            f"needs {format_size(total)} to be looked at, and {format_size(free_bytes)} are free in the folder for "
            "temporary files; free some, or set TMPDIR"
        )


def _one_base(entries: Iterable[zipfile.ZipInfo]) -> str:
    tops = {entry.filename.partition("/")[0] for entry in entries if "/" in entry.filename}
    loose = next((entry.filename for entry in entries if "/" not in entry.filename), None)
    if loose is not None:
        raise NotABundleError(f"has {quoted(loose)} beside its folder; a bundle holds one folder and nothing beside it")
    if len(tops) != 1:
        raise NotABundleError(f"holds {len(tops)} folders; a bundle holds one, named like its run")
    base = tops.pop()
    if not BASE.fullmatch(base) or base.casefold() in NO_RUN:
        raise NotABundleError(f"has a folder {quoted(base)}, which no run is called")
    return base


def _distinct(files: Sequence[str], folders: Sequence[str]) -> None:
    """No two entries may be one file on some disk: same name, same but for case, or one a folder of the other."""
    seen: dict[str, str] = {}
    for name in (*files, *folders):
        key = name.removesuffix("/").casefold()
        if key in seen:
            same = seen[key] == name
            raise NotABundleError(
                f"has {quoted(name)} twice"
                if same
                else f"has {quoted(seen[key])} and {quoted(name)}, one on some disks"
            )
        seen[key] = name
    spelled: dict[str, str] = {}
    parents = {PurePosixPath(name).parent for name in files}
    for folder in sorted({above for parent in parents for above in _with_above(parent)}):
        key = folder.casefold()
        if key in seen and not seen[key].endswith("/"):
            raise NotABundleError(f"has {quoted(seen[key])} as a file and as a folder")
        if spelled.setdefault(key, folder) != folder:
            raise NotABundleError(f"has folders {quoted(spelled[key])} and {quoted(folder)}, one on some disks")


def _with_above(folder: PurePosixPath) -> Iterator[str]:
    return (str(above) for above in (folder, *folder.parents) if str(above) != ".")


def _belong(paths: Iterable[str]) -> None:
    there = set(paths)
    for path in sorted(there):
        if path == "fetch.txt":
            raise NotABundleError("wants files to be fetched from elsewhere (fetch.txt); a bundle is whole in itself")
        if path not in TAG_FILES and not path.startswith(PAYLOAD):
            raise NotABundleError(f"holds {quoted(path)}, which is no part of a bundle")
    for needed in NEEDED:
        if needed not in there:
            raise NotABundleError(f"lacks {needed}: it is no bundle, or not a whole one")
