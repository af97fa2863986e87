"""One run being written: values to files, each whole or not there."""

from __future__ import annotations

import contextlib
import gzip
import json
import secrets
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from orchestrator.adapters.store import before, journal_file
from orchestrator.adapters.store.atomic import PARTIAL, explained, make_folders, replace_file, write_folder
from orchestrator.adapters.store.digests import files_below, sha256, sha256_file, sums_text
from orchestrator.adapters.store.drafts import FolderDraft, put_apart, put_drafts_apart, remove_draft
from orchestrator.adapters.store.json_file import document
from orchestrator.adapters.store.layout import LOG, NOT_SEALED, RunFolder, is_safe_name
from orchestrator.adapters.store.lock import RunLock
from orchestrator.core.measure import columns
from orchestrator.core.measure.columns import Columns
from orchestrator.core.record.journal import Event
from orchestrator.core.record.run import Environment
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.ports import SavedGuest, TrialData
from orchestrator.errors import StoreError


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
        self._draft: FolderDraft | None = None

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
        before.write_guest(self._folder, guest, saved)

    def saved_guest(self, guest: str) -> SavedGuest | None:
        """What :meth:`keep_before` kept, if it did.

        Raises:
            StoreError: when it is damaged: a guest is never put back from a definition that was changed.
        """
        self._check_name("guest", guest)
        return before.saved_guest(self._folder, guest)

    def before_folder(self, guest: str) -> str:
        """Absolute path of the folder that holds a guest's files as they were."""
        return before.definition_folder(self._folder, guest)

    def replace_guest(self, guest: str, saved: SavedGuest, reason: str) -> None:
        """Keep a guest as it is now, and put apart how it was kept."""
        self._check_name("guest", guest)
        self._begin_writing()
        before.replace_guest(self._folder, guest, saved, reason)

    def replace_input(self, name: str, content: bytes, reason: str) -> None:
        """Keep another plan, lab or file of a workload, and put apart the one that was kept."""
        self._begin_writing()
        before.replace_input(self._folder, name, content, reason)

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

    def draft(self, trial: str, tell: Callable[[str], None]) -> FolderDraft:
        """Begin a draft of the trial in hand; one run has one trial in hand."""
        self._check_name("trial", trial)
        self._end_draft()
        self._draft = FolderDraft(self._folder.unfinished / trial, tell)
        return self._draft

    def keep_trial(self, record: TrialRecord, data: TrialData) -> None:
        """Keep a trial: it appears whole or not at all. An earlier result under the same id is put apart, not lost."""
        self._check_name("trial", record.id)
        self._begin_writing()
        files = trial_files(data)
        named = record.model_copy(update={"files": {name: sha256(content) for name, content in files.items()}})
        place = self._folder.trial(record.id)
        if place.exists():
            put_apart(self._folder, place, record.id, "it was run again: this is the earlier result")
        with explained("write", place):
            make_folders(self._folder.trials)
            write_folder(place, {**files, "trial.json": document(named)})
        self._end_draft()
        remove_draft(self._folder, record.id)

    def discard(self, trial: str, reason: str) -> None:
        """Put the draft of a trial that does not count apart, with the reason; nothing where it left nothing."""
        self._check_name("trial", trial)
        self._end_draft()
        if (draft := self._folder.unfinished / trial).is_dir():
            self._begin_writing()
            put_apart(self._folder, draft, trial, reason)

    def tidy(self, kept: set[str]) -> None:
        """Put apart what an earlier process was at work on when it died; ``kept`` are the trials that are there."""
        put_drafts_apart(self._folder, kept)

    def seal(self) -> None:
        """Write the digests of everything and let go of the run; writing again breaks the seal until the next one."""
        self._begin_writing()
        self._end_draft()
        put_drafts_apart(self._folder, {path.parent.name for path in self._folder.trials.glob("*/trial.json")})
        replace_file(self._folder.sums, sums_text(self._digests()).encode("utf-8", "surrogateescape"))
        self.let_go()

    def withdraw(self) -> None:
        """Take back a run that was refused before it touched anything; what cannot be removed is never read."""
        self.let_go()
        gone = self._folder.path.with_name(f"{PARTIAL}{self.id}-{secrets.token_hex(4)}")
        with contextlib.suppress(OSError):
            self._folder.path.rename(gone)
            shutil.rmtree(gone, ignore_errors=True)
            gone.parent.rmdir()  # a store that was made for this run alone

    def let_go(self) -> None:
        """Let others write, having written nothing; safe to call twice."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _digests(self) -> Mapping[str, str]:
        root = self._folder.path
        names = [name for name in files_below(root) if not NOT_SEALED.match(name)]
        known: dict[str, str] = {}
        for name in names:
            if name.endswith("/trial.json") and name.startswith(("trials/", "discarded/")):
                # Digests from the moment of writing: what the disk spoiled since then must not be blessed now.
                folder = name.removesuffix("trial.json")
                known.update({f"{folder}{file}": digest for file, digest in _named_digests(root / name).items()})
        return {name: known.get(name) or sha256_file(root / name) for name in names}

    def _end_draft(self) -> None:
        if self._draft is not None:
            self._draft.close()
            self._draft = None

    def _begin_writing(self) -> None:
        if self._lock is None:
            self._lock = RunLock(self._folder.lock)
        with explained("write", self._folder.sums):
            self._folder.sums.unlink(missing_ok=True)

    def _check_name(self, kind: str, name: str) -> None:
        if not is_safe_name(name):
            raise StoreError(
                f"{name!r} cannot name the folder of a {kind}: use ASCII letters, digits, '-', '_' and '.'"
            )


def _named_digests(path: Path) -> Mapping[str, str]:
    """The digests that a ``trial.json`` names; a damaged one vouches for nothing, and reading it reports it."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        files = json.loads(path.read_bytes()).get("files", {})  # not the whole record: a long run has thousands
        return {str(name): str(digest) for name, digest in files.items()}
    return {}


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
