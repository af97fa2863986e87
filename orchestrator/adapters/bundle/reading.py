"""A bundle from somebody else, read: checked before it is unpacked, while it is, and after; nothing of it is ever run.

What is unpacked lies in a folder of its own among the temporary files, readable by its owner only, and goes with it.
"""

from __future__ import annotations

import gzip
import hashlib
import shutil
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

from pydantic import ValidationError

from orchestrator.adapters.bundle import bag, crate
from orchestrator.adapters.bundle.layout import ANONYMISED_KEY, CRATE, PERCENT, RECORD, RUN, SEAL, Limits
from orchestrator.adapters.bundle.members import Members, NotABundleError, checked, quoted
from orchestrator.core.record.cell_identity import cell_identities
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.trial import SCHEMA_VERSION
from orchestrator.errors import InputError, Problem
from orchestrator.units import Bytes, format_size

_PIECE: Bytes = 2**20
_LOG = "/workload.log.gz"
#: The end of an archive: both records, the locator between them, and the longest comment.
_LONG_RECORD, _LOCATOR, _END = 56, 20, 22
_LONGEST_END: Bytes = _LONG_RECORD + _LOCATOR + _END + 2**16
_END_RECORD = b"PK\x05\x06"
#: Blocks are counted, also those in between; a table of readings may have as many.
_MOST_BLOCKS = 1_000_000
#: The largest numbers of a plan are bytes, and these are an exabyte.
_BEYOND_A_PLAN = 10**18
#: Of the run, files that are read as a whole.
_WHOLE = (".json", ".jsonl", ".yaml", SEAL)


@dataclass(frozen=True)
class Bundle:
    """A bundle that was checked and unpacked.

    Attributes:
        run_folder: the run, as a store keeps it, in a temporary folder; the folder's name is the run's id.
        run: its id.
        record: what it was begun with.
        sha256: of the archive.
        files, size_bytes: of what the archive holds.
        anonymised: whether names were replaced when it was packed.
        packed_by: name and version of what packed it, as it says.
    """

    run_folder: Path
    run: str
    record: RunRecord
    sha256: str
    files: int
    size_bytes: Bytes
    anonymised: bool
    packed_by: str


@contextmanager
def opened(path: Path, limits: Limits | None = None) -> Iterator[Bundle]:
    """Check a bundle whole, and have its run in a temporary folder for as long as the context lasts.

    Every digest of the bag is checked, and that the run's own seal says the same. Whether the files of the run agree
    with each other, as ``verify`` tells, is the store's to say.

    Args:
        path: the archive.
        limits: how large it may be; the usual where they are left out.

    Raises:
        InputError: it is no bundle, damaged, or would do harm: one problem, in one line.
    """
    scratch: Path | None = None
    try:
        try:
            with _readable(path) as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
                scratch = Path(tempfile.mkdtemp(prefix="trialbed-bundle-"))
                bundle = _unpacked(file, scratch, limits or Limits(), digest)
        except NotABundleError as error:
            raise InputError([Problem(str(path), "", f"{error}; nothing was taken from it")]) from error
        except OSError as error:
            raise InputError(
                [Problem(str(path), "", f"cannot be read ({error.strerror or error}); check the path")]
            ) from error
        yield bundle
    finally:
        if scratch is not None:
            shutil.rmtree(scratch, ignore_errors=True)


def _readable(path: Path) -> BufferedReader:
    if stat.S_ISDIR(mode := path.stat().st_mode):
        raise NotABundleError("is a folder; give the archive that trialbed pack made")
    if not stat.S_ISREG(mode):  # opening a pipe would wait for its other end
        raise NotABundleError("is no file; give the archive that trialbed pack made")
    return path.open("rb")


def _unpacked(file: BufferedReader, scratch: Path, limits: Limits, digest: str) -> Bundle:
    archive_bytes = file.seek(0, 2)
    if _directory_bytes(file, archive_bytes) > limits.directory_bytes:
        raise NotABundleError("has a list of entries that is far too long for a run")
    try:
        with zipfile.ZipFile(file) as archive:
            free = shutil.disk_usage(scratch).free
            members = checked(archive.infolist(), archive_bytes, limits, free)
            _metadata_small(members, limits)
            _extract(archive, members, scratch / "bag")
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
        raise NotABundleError(f"is no zip archive that can be read ({quoted(str(error))})") from error
    folder = scratch / "bag" / members.base
    info = bag.read_info(folder)
    payload = {member.path for member in members.files if member.path.startswith("data/")}
    digests = bag.checked_digests(folder, payload)
    crate.check(folder / CRATE, payload)
    _logs_small(folder, payload, limits)
    record = _record(folder, members.base)
    _sealed(folder, digests)
    return Bundle(
        run_folder=_run_folder(folder, scratch, record.id),
        run=record.id,
        record=record,
        sha256=digest,
        files=len(members.files),
        size_bytes=sum(member.info.file_size for member in members.files),
        anonymised=info.get(ANONYMISED_KEY) == "yes",
        packed_by=info.get("Bag-Software-Agent", ""),
    )


def _directory_bytes(file: BufferedReader, archive_bytes: Bytes) -> Bytes:
    """How long the list of entries says it is, in either record of it (APPNOTE.TXT, sections 4.3.14 and 4.3.16).

    The record at the end counts, if it is one without a comment, and else the last that is found: as zipfile has it.
    """
    file.seek(max(archive_bytes - _LONGEST_END, 0))
    tail = file.read(_LONGEST_END)
    at = len(tail) - _END
    if tail[at : at + 4] != _END_RECORD or tail[-2:] != b"\0\0":
        at = tail.rfind(_END_RECORD)
    if at < 0 or len(tail) < at + _END:
        return 0  # no zip archive, as will be seen
    sizes = [int.from_bytes(tail[at + 12 : at + 16], "little")]
    locator = tail[max(at - _LOCATOR, 0) : at]
    if locator[:4] == b"PK\x06\x07":  # the record of a long archive lies before its locator, or where that says
        before = archive_bytes - len(tail) + at - _LOCATOR - _LONG_RECORD
        places = (before, int.from_bytes(locator[8:16], "little"))
        sizes += [_long_directory(file, place) for place in places if 0 <= place < archive_bytes]
    return max(sizes)


def _long_directory(file: BufferedReader, place: int) -> Bytes:
    file.seek(place)
    record = file.read(_LONG_RECORD)
    return int.from_bytes(record[40:48], "little") if record.startswith(b"PK\x06\x06") else 0


def _metadata_small(members: Members, limits: Limits) -> None:
    """What is read as a whole must fit into memory with ease: everything but series, logs and inputs."""
    total = 0
    for member in members.files:
        in_run = member.path.startswith(RUN) and not member.path.startswith(f"{RUN}inputs/")
        whole = member.path.endswith(_WHOLE) if in_run else not member.path.startswith(RUN)
        most = limits.yaml_bytes if member.path.endswith(".yaml") else limits.metadata_bytes
        if whole and member.info.file_size > most:
            raise NotABundleError(f"has a {quoted(member.path)} far too large to be one")
        total += member.info.file_size if whole else 0
    if total > limits.all_metadata_bytes:
        raise NotABundleError(f"has {format_size(total)} of records and manifests, far more than any run")


def _extract(archive: zipfile.ZipFile, members: Members, into: Path) -> None:
    """Write every file; names were checked, the folder is new and private, and nothing is followed or replaced."""
    for member in members.files:
        target = into / members.base / member.path
        target.parent.mkdir(parents=True, exist_ok=True)
        written = 0
        with archive.open(member.info) as packed, target.open("xb") as unpacked:
            while piece := packed.read(_PIECE):
                written += len(piece)
                if written > member.info.file_size:
                    raise NotABundleError(f"holds more of {quoted(member.path)} than it says")
                unpacked.write(piece)
        if written != member.info.file_size:
            raise NotABundleError(f"holds less of {quoted(member.path)} than it says")


def _logs_small(folder: Path, payload: set[str], limits: Limits) -> None:
    """A log is packed by itself, and may be a bomb by itself; one that is damaged is for those to tell who show it."""
    for path in sorted(path for path in payload if path.startswith(RUN) and path.endswith(_LOG)):
        left = limits.log_bytes
        with suppress(OSError, EOFError, zlib.error), gzip.open(folder / path) as log:
            while left >= 0 and (piece := log.read(_PIECE)):
                left -= len(piece)
        if left < 0:
            raise NotABundleError(f"has a log that would blow up, {quoted(path)}")


def _record(folder: Path, base: str) -> RunRecord:
    name = f"{RUN}{RECORD}"
    content = (folder / name).read_bytes()
    try:
        record = RunRecord.model_validate_json(content)
        cell_identities(record)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        field = ".".join(str(part) for part in first["loc"]) or "the document"
        newer = field == "schema_version" and SCHEMA_VERSION
        hint = f"this version reads {SCHEMA_VERSION}; update trialbed" if newer else str(first["msg"])
        raise NotABundleError(f"has a {name} that cannot be read: {quoted(field)}: {hint}") from error
    except (ArithmeticError, AttributeError, KeyError, TypeError, ValueError, RecursionError) as error:
        raise NotABundleError(f"has a {name} whose plan is none ({quoted(str(error))})") from error
    if not _sensible(record.plan):
        raise NotABundleError(f"has a {name} whose plan is none (a number in it is beyond all measure)")
    if not all(1 <= trial.block <= _MOST_BLOCKS for trial in record.trials):
        raise NotABundleError(f"has a {name} with a trial in a block that no plan has")
    if record.id != base:
        raise NotABundleError(f"is called {quoted(base)} inside, and its run {quoted(record.id)}")
    return record


def _sensible(value: object) -> bool:
    """Whether every number in a plan is one that a plan could have: neither infinite, nor undefined, nor endless."""
    if isinstance(value, dict):
        return all(map(_sensible, value.values()))
    if isinstance(value, list):
        return all(map(_sensible, value))
    return not isinstance(value, int | float) or abs(value) < _BEYOND_A_PLAN


def _sealed(folder: Path, digests: dict[str, str]) -> None:
    """The run's seal and the bag's manifest were made of the same files: they say the same, or one was changed."""
    sealed = {f"{RUN}{name}": digest for name, digest in _seal(folder / RUN / SEAL).items()}
    packed = {_as_kept(path): digest for path, digest in digests.items() if path.startswith(RUN)}
    packed.pop(f"{RUN}{SEAL}", None)
    for path in sorted(sealed.keys() | packed.keys()):
        if sealed.get(path) != packed.get(path):
            raise NotABundleError(f"has a run whose seal ({SEAL}) does not agree with its files: {quoted(path)}")


def _seal(path: Path) -> dict[str, str]:
    """Names of a bundle need no escape, so that a line is two words."""
    try:
        lines = path.read_text("utf-8").split("\n")
    except UnicodeDecodeError as error:
        raise NotABundleError(f"has a {SEAL} that is not UTF-8") from error
    found = (line.partition("  ") for line in lines if line)
    return {name: digest for digest, _, name in found}


def _as_kept(path: str) -> str:
    """The path of an input as a run's folder has it."""
    return path.replace(PERCENT, "%") if path.startswith(f"{RUN}inputs/") else path


def _run_folder(folder: Path, scratch: Path, run: str) -> Path:
    """The run's folder where its name is its id, with the names of its inputs as a store keeps them."""
    inputs = folder / RUN / "inputs"
    for path in sorted(inputs.rglob(f"*{PERCENT}*"), reverse=True) if inputs.is_dir() else ():
        path.rename(path.with_name(path.name.replace(PERCENT, "%")))
    place = scratch / "run" / run
    place.parent.mkdir(exist_ok=True)
    (folder / RUN).rename(place)
    return place
