"""The store: a folder with one folder a run."""

from __future__ import annotations

import errno
import gzip
import io
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from orchestrator.adapters.store import before, finding, journal_file
from orchestrator.adapters.store.atomic import explained, make_folders, write_folder
from orchestrator.adapters.store.index import Index, Signature, signature
from orchestrator.adapters.store.inspecting import altered
from orchestrator.adapters.store.json_file import document, load
from orchestrator.adapters.store.layout import LOG, SERIES, RunFolder, another_id, input_file, is_safe_name, run_id
from orchestrator.adapters.store.reading import read_run
from orchestrator.adapters.store.verifying import verify_run
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.core.measure import columns
from orchestrator.core.measure.columns import Columns
from orchestrator.core.record.finding import Verified
from orchestrator.core.record.journal import Event, cut_short, progress
from orchestrator.core.record.run import Environment, RunRecord, StoredRun
from orchestrator.core.record.run_line import RunLine, run_line
from orchestrator.engine.ports import SavedGuest, TrialData
from orchestrator.errors import StoreError
from orchestrator.units import Bytes, Seconds, format_size

T = TypeVar("T")

_ATTEMPTS_AT_A_NAME = 50
#: A run may come from anybody, and a small file can unpack to any size. A trial keeps 4 Mi characters.
_MOST_LOG: Bytes = 64 * 2**20


class FolderStore:
    """:class:`~orchestrator.engine.ports.RunStore` on a folder of plain files.

    Args:
        root: the results folder; made when the first run is.
        now: gives the seconds since 1970, to tell how old a sign of life is; without it only locks tell who lives.
    """

    def __init__(self, root: Path, now: Callable[[], Seconds] | None = None) -> None:
        self.root, self._now = root, now
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
            make_folders(self.root)  # what a run keeps of its guests must not go with the folder above it
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
        """Open a run to go on with it: what there is, its writer, and its inputs byte for byte.

        Raises:
            StoreError: also when the run is complete, or another process writes to it.
        """
        stored, events = self._unfinished(run)
        folder = RunFolder(Path(stored.location))
        writer = FolderWriter(folder)
        try:
            if journal_file.read(folder.journal).events != events:  # another process went on until it let go just now
                stored, events = self._unfinished(run)
            inputs = before.kept_inputs(folder)
        except StoreError:
            writer.let_go()
            raise
        where = progress(events)
        journal_file.set_torn_line_aside(folder.journal, folder.torn)
        kept = {trial.id for trial in stored.trials}
        writer.tidy(kept)
        if where.in_hand is not None and where.in_hand not in kept:
            writer.append(cut_short(events[-1], where.in_hand))
        return stored, writer, inputs

    def _unfinished(self, run: str) -> tuple[StoredRun, tuple[Event, ...]]:
        """A run that can be gone on with, and its journal."""
        stored = self.find(run)
        folder = RunFolder(Path(stored.location))
        events = journal_file.read(folder.journal).events
        if stored.complete and progress(events).guest_is_back:
            if not folder.sums.is_file():  # a process that died between the end of a run and its seal left all but it
                FolderWriter(folder).seal()
            raise StoreError(f"run {stored.record.id} is complete: there is nothing left to resume")
        return stored, events

    # ------------------------------------------------------------------------------------------------- reading

    def find(self, run: str) -> StoredRun:
        """Read a run by id, unambiguous prefix, ``last``, or the path of its folder.

        Raises:
            StoreError: with what there is.
        """
        self._problems = []
        stored, self._problems = read_run(finding.resolve(self.root, run), thorough=True, now_s=self._time())
        return stored

    def guests(self, run: StoredRun) -> tuple[str, ...]:
        """The guests that a run keeps as they were. Raises StoreError when that cannot be read."""
        return before.guests(RunFolder(Path(run.location)))

    def saved_guest(self, run: StoredRun, guest: str) -> SavedGuest | None:
        """A guest as it was before a run, if it is kept. Raises StoreError when it is damaged."""
        return before.saved_guest(RunFolder(Path(run.location)), guest)

    def before_folder(self, run: StoredRun, guest: str) -> str:
        """Absolute path of the folder that holds a guest's files as they were."""
        return before.definition_folder(RunFolder(Path(run.location)), guest)

    def inputs(self, run: StoredRun) -> Mapping[str, bytes]:
        """Plan, lab and the workloads' files, byte for byte; those that are there. Raises StoreError."""
        return before.kept_inputs(RunFolder(Path(run.location)))

    def writer(self, run: StoredRun) -> FolderWriter:
        """The right to write to a run, whatever its state.

        Raises:
            RunBusyError: another process has it.
            StoreError: the folder cannot be written to.
        """
        folder = RunFolder(Path(run.location))
        writer = FolderWriter(folder)
        journal_file.set_torn_line_aside(folder.journal, folder.torn)
        return writer

    def altered(self, run: str) -> list[str]:
        """Records of a run, as :meth:`find` finds it, that are not as its seal has them, by name.

        Raises:
            StoreError: there is no such run, or a file cannot be read.
        """
        return altered(finding.resolve(self.root, run), {})

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

        data = TrialData(
            throughput=readable("throughput", columns.to_rows),
            host=readable("host", columns.to_samples),
            guest=readable("guest", columns.to_samples),
            vcpu=readable("vcpu", columns.to_samples),
            log=self._log(folder / LOG),
        )
        self._problems = [RunFolder(Path(run.location)).within(problem) for problem in self._problems]
        return data

    def verify(self, run: str) -> Verified:
        """Check every file of a run, as :meth:`find` finds it, against its digest; nothing is changed.

        Raises:
            StoreError: there is no such run, or its folder cannot be read.
        """
        return verify_run(finding.resolve(self.root, run), self._time())

    def _time(self) -> Seconds | None:
        return None if self._now is None else self._now()

    def _log(self, path: Path) -> str:
        try:
            if packed := _bytes_of(path):
                with gzip.GzipFile(fileobj=io.BytesIO(packed)) as file:
                    text = file.read(_MOST_LOG + 1)
                if len(text) <= _MOST_LOG:
                    return text.decode("utf-8", "replace")
                self._problems.append(f"{path}: unpacks to more than {format_size(_MOST_LOG)}, which no trial prints")
            else:
                self._problems.append(f"{path}: damaged: it is empty")
        except (gzip.BadGzipFile, EOFError, zlib.error) as error:
            self._problems.append(f"{path}: damaged or cut short: {error}")
        except StoreError as error:
            self._problems.append(str(error))
        return ""

    def lines(self) -> list[RunLine]:
        """All runs in a nutshell, oldest first, by an index where there is one; otherwise as :meth:`list`.

        A run that has ended, and with which nothing is wrong, is kept in the index; others are read each time.
        """
        there = finding.folders(self.root)
        self._problems = [*there.problems]
        index, now_s = Index(self.root), self._time()
        lines: list[tuple[tuple[object, ...], RunLine]] = []
        new: dict[str, tuple[Signature, RunLine]] = {}
        for path in there.runs:
            signed = signature(RunFolder(path))  # before it is read: what changes meanwhile makes the entry stale
            line = None if signed is None else index.line(path.name, signed)
            try:
                if line is None:
                    line, sound = self._line(RunFolder(path), now_s)
                    if sound and signed is not None and signed.settled(now_s):
                        new[path.name] = (signed, line)
                elif line.location != str(path):
                    line = line.model_copy(update={"location": str(path)})
                lines.append((finding.age(line, path), line))
            except (StoreError, OSError) as error:
                self._problems += _of_run(RunFolder(path), [str(error)])
        index.update(new, [path.name for path in there.runs])
        return [line for _, line in sorted(lines, key=lambda pair: pair[0])]

    def _line(self, folder: RunFolder, now_s: Seconds | None) -> tuple[RunLine, bool]:
        """A run in a nutshell, and whether it has ended with nothing wrong."""
        stored, problems = read_run(folder, thorough=False, now_s=now_s)
        self._problems += _of_run(folder, problems)
        environment, readable = None, True
        try:
            environment = self.environment(stored)
        except StoreError:
            readable = False  # `show` tells; the listing does not need it
        ended = stored.state not in {"running", "crashed"}
        sound = ended and readable and not problems and is_safe_name(folder.path.name)
        return run_line(stored, environment), sound

    def list(self) -> list[StoredRun]:
        """All runs, oldest first; what cannot be read is left out and reported by :meth:`problems`."""
        there = finding.folders(self.root)
        self._problems = [*there.problems]
        runs: list[tuple[tuple[object, ...], StoredRun]] = []
        for path in there.runs:
            try:
                stored, problems = read_run(RunFolder(path), thorough=False, now_s=self._time())
                runs.append((finding.age(stored.record, path), stored))
            except StoreError as error:
                problems = [str(error)]
            self._problems += _of_run(RunFolder(path), problems)
        return [stored for _, stored in sorted(runs, key=lambda pair: pair[0])]


def _of_run(folder: RunFolder, problems: Sequence[str]) -> Iterator[str]:
    """What is wrong with one of many runs, which has to be named."""
    yield from (f"{folder.path.name}: {folder.within(problem)}" for problem in problems)


def _trial_folder(run: StoredRun, trial: str) -> Path:
    if trial not in {kept.id for kept in run.trials}:
        raise StoreError(f"run {run.record.id} has no finished trial {trial!r}")
    return RunFolder(Path(run.location)).trial(trial)


def _bytes_of(path: Path) -> bytes:
    with explained("read", path):
        return path.read_bytes()
