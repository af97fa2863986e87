"""A run into an archive: the same run gives the same bytes, whenever, wherever and by whomever it is packed.

So nothing in the archive tells of the packing: entries are sorted, of one time and mode, and stored as they are, since
what a compression library writes changes with its version (the series within are compressed already).
"""

from __future__ import annotations

import hashlib
import io
import re
import shutil
import stat
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from orchestrator import output_file
from orchestrator.adapters.bundle import bag, crate
from orchestrator.adapters.bundle.layout import (
    ALGORITHMS,
    ANONYMISED_KEY,
    BUNDLE_VERSION,
    CRATE,
    PART,
    PAYLOAD,
    PERCENT,
    RUN,
    SEAL,
    VERSION_KEY,
)
from orchestrator.adapters.bundle.reading import Bundle, opened
from orchestrator.core.record.run import RunRecord
from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.units import Bytes

#: What of a run's folder is for others. Guests' definitions, drafts, and what does not count are its owner's.
_FOR_OTHERS = re.compile(
    r"plan\.yaml|lab\.yaml|run\.json|environment(\.\d+)?\.json|journal\.jsonl|inputs/.+"
    r"|trials/[^./][^/]*/(trial\.json|[a-z]+\.parquet|workload\.log\.gz)"
)
_PIECE: Bytes = 2**20
#: The earliest that a zip file can say; and a regular file that all may read and its owner may write.
_TIME = (1980, 1, 1, 0, 0, 0)
_MODE = (stat.S_IFREG | 0o644) << 16
_UNIX = 3


@dataclass(frozen=True)
class Contents:
    """What is to be packed.

    Attributes:
        folder: of the run.
        record: its ``run.json``.
        ended_utc: when the last thing happened in it.
        packed_by: name and version of this program.
        beside: files beside the run: path below ``data/`` to content.
        anonymised: whether names were replaced.
    """

    folder: Path
    record: RunRecord
    ended_utc: str
    packed_by: str
    beside: Mapping[str, bytes]
    anonymised: bool


def for_others(folder: Path) -> list[str]:
    """Files of a run's folder that a bundle holds, relative to it with ``/``, by name.

    Raises:
        StoreError: one of them is a link, which cannot be followed elsewhere.
    """
    found = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if not _FOR_OTHERS.fullmatch(name) or path.is_dir():
            continue
        if path.is_symlink() or not path.is_file():
            raise StoreError(f"{path} is a link or a device, which cannot be packed; put the file itself in its place")
        if not all(PART.fullmatch(part) for part in in_bundle(name).split("/")):
            raise StoreError(f"{path} has a name that no bundle can hold; rename it beside the plan, and run it again")
        found.append(name)
    return found


def in_bundle(name: str) -> str:
    """The path of a run's file as a bundle has it; see :data:`~orchestrator.adapters.bundle.layout.PERCENT`."""
    return name.replace("%", PERCENT)


def pack(contents: Contents, target: Path, check: Callable[[Bundle], None], *, replace: bool) -> Bundle:
    """Write the archive, and read it back as a stranger would before it gets its name.

    Args:
        contents: what is packed.
        target: the archive.
        check: is given what was read, and raises where its run is not whole.
        replace: whether an archive that is there is written over.

    Returns:
        What was read; its temporary folder is gone.

    Raises:
        InputError: there is such a file already, or it cannot be written.
        StoreError: a file of the run cannot be read.
    """
    _check_target(target, replace=replace)
    payload = _payload(contents)
    try:
        files = _files(contents, payload)
    except OSError as error:
        raise StoreError(f"cannot read {error.filename or contents.folder}: {error.strerror}") from error
    with output_file.appearing(target, replacing=replace) as file:
        _write(file, contents.record.id, files)
        file.flush()
        with opened(Path(file.name)) as packed:
            check(packed)
    return packed


def _check_target(target: Path, *, replace: bool) -> None:
    if target.name == "-":
        raise InputError([Problem("--output", "", "'-' is no file; an archive is read back, so name one: FILE.zip")])
    output_file.check(target, replacing=replace)


#: A file to be packed: its size, and how it is opened.
_Source = tuple[Bytes, Callable[[], IO[bytes]]]


def _payload(contents: Contents) -> dict[str, _Source]:
    """Every payload file but the seal and the metadata, by its path in the bag."""
    files = {f"{PAYLOAD}{name}": _of(content) for name, content in contents.beside.items()}
    for name in for_others(contents.folder):
        path = contents.folder / name
        files[f"{RUN}{in_bundle(name)}"] = (path.stat().st_size, _opener(path))
    return files


def _files(contents: Contents, payload: dict[str, _Source]) -> dict[str, _Source]:
    """All files of the bag, with the seal, the metadata and the manifests made for what is packed."""
    digests = {path: _digests(source) for path, source in payload.items()}
    sealed = {
        path.removeprefix(RUN).replace(PERCENT, "%"): both["sha256"]
        for path, both in digests.items()
        if path.startswith(RUN)
    }
    sizes = {path.removeprefix(PAYLOAD): size for path, (size, _) in payload.items()}
    seal = bag.manifest(sealed)
    sizes[f"{RUN}{SEAL}".removeprefix(PAYLOAD)] = len(seal)
    described = crate.metadata(contents.record, contents.ended_utc, contents.packed_by, sizes)
    made = {f"{RUN}{SEAL}": _of(seal), CRATE: _of(described)}
    digests |= {path: _digests(source) for path, source in made.items()}
    payload = payload | made
    by_algorithm = {name: {path: both[name] for path, both in digests.items()} for name in ALGORITHMS}
    oxum = f"{sum(size for size, _ in payload.values())}.{len(payload)}"
    tags = bag.tag_files(by_algorithm, _info(contents, oxum))
    return payload | {name: _of(content) for name, content in tags.items()}


def _info(contents: Contents, oxum: str) -> dict[str, str]:
    """What ``bag-info.txt`` says (RFC 8493, section 2.2.2); the date is the run's, not that of packing."""
    return {
        "Bag-Software-Agent": contents.packed_by,
        "Bagging-Date": contents.ended_utc[:10],
        "External-Description": contents.record.title,
        "External-Identifier": contents.record.id,
        "Payload-Oxum": oxum,
        ANONYMISED_KEY: "yes" if contents.anonymised else "no",
        VERSION_KEY: BUNDLE_VERSION,
    }


def _of(content: bytes) -> _Source:
    return len(content), lambda: io.BytesIO(content)


def _opener(path: Path) -> Callable[[], IO[bytes]]:
    return lambda: path.open("rb")


def _pieces(source: _Source) -> Iterator[bytes]:
    with source[1]() as file:
        while piece := file.read(_PIECE):
            yield piece


def _digests(source: _Source) -> dict[str, str]:
    hashers = {name: hashlib.new(name) for name in ALGORITHMS}
    for piece in _pieces(source):
        for hasher in hashers.values():
            hasher.update(piece)
    return {name: hasher.hexdigest() for name, hasher in hashers.items()}


def _write(file: IO[bytes], base: str, files: Mapping[str, _Source]) -> None:
    with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as archive:
        for path in sorted(files):
            entry = zipfile.ZipInfo(f"{base}/{path}", _TIME)
            entry.create_system, entry.external_attr, entry.file_size = _UNIX, _MODE, files[path][0]
            with files[path][1]() as source, archive.open(entry, "w") as into:
                shutil.copyfileobj(source, into, _PIECE)
