"""One run being written: values to files, each whole or not there."""

from __future__ import annotations

import contextlib
import gzip
import secrets
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import unquote

from orchestrator.adapters.store import journal_file
from orchestrator.adapters.store.atomic import explained, replace_file, sync, write_folder
from orchestrator.adapters.store.digests import differences, files_below, sha256, sha256_file, sums_text
from orchestrator.adapters.store.layout import LOG, SUPERSEDED, RunFolder, is_safe_name, relative_file
from orchestrator.adapters.store.lock import RunLock
from orchestrator.adapters.store.reading import load
from orchestrator.core.measure import columns
from orchestrator.core.measure.columns import Columns
from orchestrator.core.measure.results import Record
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Environment
from orchestrator.core.record.trial import SCHEMA_VERSION, TrialRecord
from orchestrator.engine.ports import SavedGuest, TrialData
from orchestrator.errors import StoreError


class SavedState(Record):
    """What ``before/<guest>/saved.json`` holds."""

    schema_version: int = SCHEMA_VERSION
    guest: str
    running: bool
    files: dict[str, str]
    """SHA-256 of each file below ``definition/``, by its path there."""


def document(record: Record) -> bytes:
    """A record as a JSON file: fields in the order of the model, no number that JSON does not have."""
    return record.model_dump_json(indent=2, fallback=str).encode() + b"\n"


class FolderWriter:
    """:class:`~orchestrator.engine.ports.RunWriter` on a folder. The only writer of its run, across processes."""

    def __init__(self, folder: RunFolder) -> None:
        """Take the right to write; the folder exists.

        Raises:
            StoreError: when another process has it.
        """
        self.id = folder.path.name
        self.location = str(folder.path)
        self._folder = folder
        self._lock: RunLock | None = RunLock(folder.lock)

    def append(self, event: Event) -> None:
        """Add a line to the journal; on the disk when this returns."""
        self._begin_writing()
        journal_file.append(self._folder.journal, event)

    def keep_before(self, guest: str, saved: SavedGuest) -> None:
        """Keep a guest's definition; the first that is kept stays, since it alone is from before the run.

        Raises:
            StoreError: also when another definition of this guest is kept already.
        """
        self._check_name("guest", guest)
        if (kept := self.saved_guest(guest)) is not None:
            if kept == SavedGuest(dict(saved.files), saved.running):
                return
            raise StoreError(
                f"{self._folder.before / guest}: kept there is the guest as it was before the run, "
                "which is never overwritten"
            )
        self._begin_writing()
        definition = {relative_file(name): content for name, content in saved.files.items()}
        state = SavedState(
            guest=guest, running=saved.running, files={name: sha256(content) for name, content in definition.items()}
        )
        files = {f"definition/{name}": content for name, content in definition.items()}
        with explained("write", self._folder.before / guest):
            self._make(self._folder.before)
            # A definition may hold what is not for everybody's eyes, such as a display's password.
            write_folder(self._folder.before / guest, {**files, "saved.json": document(state)}, private=True)

    def saved_guest(self, guest: str) -> SavedGuest | None:
        """What :meth:`keep_before` kept, if it did.

        Raises:
            StoreError: when it is damaged: a guest is never put back from a definition that was changed.
        """
        self._check_name("guest", guest)
        place = self._folder.before / guest
        if not place.is_dir():
            return None
        state = load(SavedState, place / "saved.json")
        if wrong := differences(place / "definition", state.files):
            raise StoreError(
                f"{place}: {'; '.join(wrong)}; the guest cannot be put back from it: restore the files from a copy"
            )
        with explained("read", place):
            files = {unquote(name): (place / "definition" / name).read_bytes() for name in state.files}
        return SavedGuest(files, state.running)

    def keep_environment(self, environment: Environment) -> None:
        """Keep the fingerprint; the one from before a run was resumed stays beside it under another name."""
        self._begin_writing()
        path = self._folder.environment
        if path.is_file():
            with explained("read", path):
                earlier = path.read_bytes()
            replace_file(
                path.with_name(f"environment.{len(list(path.parent.glob('environment.*.json'))) + 1}.json"), earlier
            )
        replace_file(path, document(environment))

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial: it appears whole or not at all. An earlier result under the same id is set aside, not lost."""
        self._check_name("trial", record.id)
        self._begin_writing()
        files = trial_files(data)
        named = record.model_copy(update={"files": {name: sha256(content) for name, content in files.items()}})
        place = self._folder.trial(record.id)
        with explained("write", place):
            self._make(self._folder.trials)
            if place.exists():
                place.rename(place.with_name(f"{SUPERSEDED}{record.id}-{secrets.token_hex(4)}"))
            write_folder(place, {**files, "trial.json": document(named)})

    def seal(self) -> None:
        """Write the digests of everything and let go of the run; writing again breaks the seal until the next one."""
        self._begin_writing()
        replace_file(self._folder.sums, sums_text(self._digests()).encode("utf-8", "surrogateescape"))
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _digests(self) -> Mapping[str, str]:
        root = self._folder.path
        names = files_below(root, without=(self._folder.sums.name, self._folder.lock.name))
        known: dict[str, str] = {}
        for name in names:
            if name.startswith("trials/") and name.endswith("/trial.json"):
                # Digests from the moment of writing: what the disk spoiled since then must not be blessed now.
                with contextlib.suppress(StoreError):  # a damaged one vouches for nothing; reading it reports it
                    files = load(TrialRecord, root / name).files
                    known.update({f"{name.removesuffix('trial.json')}{file}": files[file] for file in files})
        return {name: known.get(name) or sha256_file(root / name) for name in names}

    def _begin_writing(self) -> None:
        if self._lock is None:
            self._lock = RunLock(self._folder.lock)
        with explained("write", self._folder.sums):
            self._folder.sums.unlink(missing_ok=True)

    def _make(self, folder: Path) -> None:
        if not folder.is_dir():
            folder.mkdir()
            sync(self._folder.path)

    def _check_name(self, kind: str, name: str) -> None:
        if not is_safe_name(name):
            raise StoreError(
                f"{name!r} cannot name the folder of a {kind}: use ASCII letters, digits, '-', '_' and '.'"
            )


def trial_files(data: TrialData) -> dict[str, bytes]:
    """The files of a trial's series, as bytes; the same data give the same bytes.

    Raises:
        StoreError: when a counter's name cannot be a column's.
    """
    from orchestrator.adapters.store.parquet import to_parquet  # noqa: PLC0415  pyarrow loads slowly; a listing does without

    series: dict[str, Columns] = {"throughput": columns.from_rows(data.throughput, first=("time_s", "value"))}
    try:
        for name, samples in (("host", data.host), ("guest", data.guest), ("vcpu", data.vcpu)):
            series[name] = columns.from_samples(samples)
    except ValueError as error:
        raise StoreError(f"the {name} series cannot be stored: {error}") from error
    files = {f"{name}.parquet": to_parquet(name, table) for name, table in series.items()}
    return files | {LOG: gzip.compress(data.log.encode("utf-8", "backslashreplace"), mtime=0)}
