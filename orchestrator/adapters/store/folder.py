"""The store: a folder with one folder a run."""

from __future__ import annotations

import errno
import gzip
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from orchestrator.adapters.store import finding, journal_file
from orchestrator.adapters.store.atomic import explained, write_folder
from orchestrator.adapters.store.digests import differences, files_below, read_sums, sha256
from orchestrator.adapters.store.layout import LOG, SERIES, RunFolder, another_id, input_file, run_id
from orchestrator.adapters.store.reading import load, read_run
from orchestrator.adapters.store.writing import FolderWriter, document
from orchestrator.core.measure import columns
from orchestrator.core.measure.columns import Columns
from orchestrator.core.record.journal import Event, progress
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.engine.ports import TrialData
from orchestrator.errors import StoreError

T = TypeVar("T")

_ATTEMPTS_AT_A_NAME = 50


class FolderStore:
    """:class:`~orchestrator.engine.ports.RunStore` on a folder of plain files.

    Args:
        root: the results folder; made when the first run is.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._problems: list[str] = []

    # ------------------------------------------------------------------------------------------------- writing

    def create(self, record: RunRecord, inputs: Mapping[str, bytes]) -> FolderWriter:
        """Begin a run. Its id is the one the record wishes for, or a new one where that is empty or taken.

        Raises:
            StoreError: when the system refuses; nothing is left behind then.
        """
        files = {input_file(name): content for name, content in inputs.items()}
        wished = run_id(record.id, record.started_utc, record.title)
        with explained("write", self.root):
            self.root.mkdir(parents=True, exist_ok=True)
            for _ in range(_ATTEMPTS_AT_A_NAME):
                named = record.model_copy(update={"id": wished})
                try:
                    write_folder(self.root / wished, {**files, "run.json": document(named), "journal.jsonl": b""})
                except OSError as error:
                    if error.errno not in {errno.ENOTEMPTY, errno.EEXIST}:
                        raise
                    wished = another_id(wished)
                else:
                    return FolderWriter(RunFolder(self.root / wished))
        raise StoreError(f"no free name for a run like {wished!r} in {self.root}; move old runs elsewhere")

    def reopen(self, run: str) -> tuple[StoredRun, FolderWriter, Mapping[str, bytes]]:
        """Open an unfinished run to go on with it: what there is, its writer, and its inputs byte for byte.

        Raises:
            StoreError: also when the run is complete, its inputs were changed, or another process writes to it.
        """
        stored = self.find(run)
        folder = RunFolder(Path(stored.location))
        where = progress(journal_file.read(folder.journal).events)
        if where.state == "done" and where.guest_is_back:
            raise StoreError(f"run {stored.record.id} is complete: there is nothing left to resume")
        inputs = {name: _bytes_of(path) for name, path in folder.input_files().items()}
        for name, digest in stored.record.inputs_sha256.items():
            if name in inputs and sha256(inputs[name]) != digest:
                raise StoreError(
                    f"{folder.path / input_file(name)} was changed since the run began; "
                    "going on would mix two experiments: restore the file, or begin a new run"
                )
        writer = FolderWriter(folder)
        journal_file.set_torn_line_aside(folder.journal, folder.torn)
        return stored, writer, inputs

    # ------------------------------------------------------------------------------------------------- reading

    def find(self, run: str) -> StoredRun:
        """Read a run by id, unambiguous prefix, ``last``, or the path of its folder.

        Raises:
            StoreError: with what there is.
        """
        self._problems = []
        stored, self._problems = read_run(finding.resolve(self.root, run), thorough=True)
        return stored

    def problems(self) -> list[str]:
        """What the last reading found damaged or strange."""
        return self._problems.copy()

    def environment(self, run: StoredRun) -> Environment | None:
        """The fingerprint, if the run got so far. Raises StoreError when it is damaged."""
        path = RunFolder(Path(run.location)).environment
        return load(Environment, path) if path.is_file() else None

    def journal(self, run: StoredRun) -> tuple[Event, ...]:
        """What happened, in order; lines that cannot be read are left out."""
        return journal_file.read(RunFolder(Path(run.location)).journal).events

    def series(self, run: StoredRun, trial: str, name: str) -> Columns:
        """One series of a trial as columns: ``throughput``, ``host``, ``guest`` or ``vcpu``.

        Raises:
            StoreError: when there is no such series or it is damaged.
        """
        from orchestrator.adapters.store.parquet import read_columns  # noqa: PLC0415  loads slowly; listings do without

        if name not in SERIES:
            raise StoreError(f"no series is named {name!r}; there are {', '.join(SERIES)}")
        return read_columns(_trial_folder(run, trial) / f"{name}.parquet")

    def load_trial(self, run: StoredRun, trial: str) -> TrialData:
        """The series and the log of a trial; a damaged one is empty and reported by :meth:`problems`."""
        folder = _trial_folder(run, trial)
        self._problems = []

        def readable(name: str, convert: Callable[[Columns], list[T]]) -> list[T]:
            try:
                return convert(self.series(run, trial, name))
            except StoreError as error:
                self._problems.append(str(error))
            except ValueError as error:
                self._problems.append(f"{folder / name}.parquet: {error}; it was not written by trialbed")
            return []

        return TrialData(
            throughput=readable("throughput", columns.to_rows),
            host=readable("host", columns.to_samples),
            guest=readable("guest", columns.to_samples),
            vcpu=readable("vcpu", columns.to_samples),
            log=self._log(folder / LOG),
        )

    def verify(self, run: StoredRun) -> list[str]:
        """Compare every file with its digest; empty when nothing was changed, lost or added since the run was sealed.

        Raises:
            StoreError: when the run has no readable ``SHA256SUMS``.
        """
        folder = RunFolder(Path(run.location))
        sums = read_sums(folder.sums)
        added = set(files_below(folder.path, without=(folder.sums.name, folder.lock.name))) - set(sums)
        return differences(folder.path, sums) + [f"{name} was added after the run was sealed" for name in sorted(added)]

    def _log(self, path: Path) -> str:
        try:
            if packed := _bytes_of(path):
                return gzip.decompress(packed).decode("utf-8", "replace")
            self._problems.append(f"{path}: damaged: it is empty")
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            self._problems.append(f"{path}: damaged or cut short: {error}")
        except StoreError as error:
            self._problems.append(str(error))
        return ""

    def list(self) -> list[StoredRun]:
        """All runs, oldest first; what cannot be read is left out and reported by :meth:`problems`."""
        there = finding.folders(self.root)
        self._problems = [*there.problems]
        runs: list[tuple[tuple[object, ...], StoredRun]] = []
        for path in there.runs:
            try:
                stored, problems = read_run(RunFolder(path), thorough=False)
                runs.append((finding.age(stored.record, path), stored))
            except StoreError as error:
                self._problems.append(str(error))
            else:
                self._problems.extend(problems)
        return [stored for _, stored in sorted(runs, key=lambda pair: pair[0])]


def _trial_folder(run: StoredRun, trial: str) -> Path:
    if trial not in {kept.id for kept in run.trials}:
        raise StoreError(f"run {run.record.id} has no finished trial {trial!r}")
    return RunFolder(Path(run.location)).trial(trial)


def _bytes_of(path: Path) -> bytes:
    with explained("read", path):
        return path.read_bytes()
