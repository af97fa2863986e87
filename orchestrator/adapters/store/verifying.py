"""A whole check of one run's folder: every file against its digest, every trial against the journal, nothing changed.

A sealed run has the digest of every file in ``SHA256SUMS``. One that is not sealed has those that were written with the
file: of a trial's series in its ``trial.json``, of the inputs in ``run.json``, of a guest in its ``saved.json``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path, PurePosixPath

from orchestrator.adapters.store import journal_file
from orchestrator.adapters.store.atomic import PARTIAL, explained
from orchestrator.adapters.store.before import SavedState
from orchestrator.adapters.store.digests import files_below, read_sums, sha256_file
from orchestrator.adapters.store.inspecting import entries
from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.store.layout import (
    EARLIER_ENVIRONMENT,
    ENTRIES,
    NOT_SEALED,
    SUPERSEDED,
    TRIAL_RECORD,
    RunFolder,
    input_file,
)
from orchestrator.adapters.store.reading import read_run
from orchestrator.core.record.finding import Finding, Verified
from orchestrator.core.record.journal import accepted_inputs
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.errors import StoreError
from orchestrator.units import Seconds

#: Files that one thread takes at a time: most are small, and handing over each would take longer than its digest.
_BATCH = 64
_FROM_A_COPY = "restore it from a copy of the run"
#: While a process is at work these come and go.
_IN_FLUX = ("unfinished/", "alive.json", "journal.jsonl")


def verify_run(folder: RunFolder, now_s: Seconds | None = None) -> Verified:
    """Check one run.

    Args:
        folder: the run's.
        now_s: seconds since 1970, to tell whether it is going on.

    Raises:
        StoreError: the folder itself cannot be read.
    """
    with explained("read", folder.path):
        return _Check(folder, now_s).result()


class _Check:
    """One check: what is there, what its digests are, and what is found."""

    def __init__(self, folder: RunFolder, now_s: Seconds | None) -> None:
        self._folder, self._root = folder, folder.path
        self._names = files_below(self._root)
        self._there = set(self._names)
        self._findings: dict[str, Finding] = {}
        self._remarks: list[str] = []
        self._accepted: dict[str, str] = {}
        self._wanted: dict[str, str] = {}
        self._run: StoredRun | None = None
        self._unreadable = ""
        try:
            self._run, _ = read_run(folder, thorough=True, now_s=now_s)
        except StoreError as error:
            self._unreadable = str(error)

    def result(self) -> Verified:
        """Look at everything, and tell."""
        run = self._run
        going_on = run is not None and run.state == "running"
        self._journal(going_on=going_on)
        self._record()
        self._trials()
        self._before()
        for name in (path for path in self._names if path == "environment.json" or EARLIER_ENVIRONMENT.fullmatch(path)):
            self._readable(name, Environment, "the fingerprint of host and guest is lost; the trials stand without it")
        self._seal()
        size = self._compare()
        self._lost()
        self._strangers(going_on=going_on)
        if going_on:
            self._remarks.append("the run is going on: what is being written now is not looked at")
        return Verified(
            self._root.name,
            str(self._root),
            run.state if run is not None else "",
            self._folder.sums.is_file(),
            len(self._wanted),
            size,
            tuple(self._outermost()),
            tuple(self._remarks),
        )

    def _found(self, path: str, what: str, means: str, do: str) -> None:
        self._findings.setdefault(path, Finding(path, what, means, do))

    def _outermost(self) -> Iterator[Finding]:
        """What is wrong, by path; a folder that is wrong as a whole stands for every file in it."""
        for name in sorted(self._findings):
            if not any(str(above) in self._findings for above in PurePosixPath(name).parents):
                yield self._findings[name]

    # ------------------------------------------------------------------------------------ what each file says itself

    def _record(self) -> None:
        if self._run is None:
            self._found(
                "run.json",
                f"cannot be read ({_reason(self._unreadable, self._folder.record)})",
                "without it the run is not listed, and its order and resolved plan are not known; its trials stay",
                f"{_FROM_A_COPY}, or read the files of the trials with other tools",
            )
            return
        for name, digest in (self._run.record.inputs_sha256 | self._accepted).items():
            self._wanted.setdefault(input_file(name), digest)

    def _readable(self, name: str, model: type[Environment | TrialRecord | SavedState], means: str) -> bool:
        try:
            load(model, self._root / name)
        except StoreError as error:
            self._found(name, f"cannot be read ({_reason(str(error), self._root / name)})", means, _FROM_A_COPY)
            return False
        return True

    def _journal(self, *, going_on: bool) -> None:
        name = self._folder.journal.name
        try:
            read = journal_file.read(self._folder.journal)
        except StoreError:
            self._found(
                name,
                "is missing or cannot be read",
                "where the run stands, and whether its guest is back, is not known; trials that are there count",
                f"{_FROM_A_COPY}, and look with trialbed restore --check whether the guest is as it was",
            )
            return
        self._accepted = accepted_inputs(read.events)
        for problem in read.problems:
            torn = "cut short" in problem
            if torn and going_on:
                continue
            self._found(
                name,
                "has a last line that was cut short" if torn else "has lines that are no events",
                "a crash or power cut fell into the writing of it; every line before it stands"
                if torn
                else "what they told is not known; the other lines stand",
                self._mends(torn=torn),
            )

    def _mends(self, *, torn: bool) -> str:
        """What to do about a line of the journal; a run that is done is not resumed."""
        if not torn:
            return _FROM_A_COPY
        if self._run is not None and self._run.state == "done":
            return "delete what stands after its last whole line"
        return "trialbed resume sets the piece aside"

    def _trials(self) -> None:
        for top in (self._folder.trials, self._folder.discarded):
            for path in entries(top):
                if path.name.startswith(PARTIAL):
                    continue
                counts = top == self._folder.trials and not path.name.startswith(SUPERSEDED)
                if (path / TRIAL_RECORD).is_file():
                    self._trial(f"{top.name}/{path.name}", counts=counts)
                elif counts and path.is_dir():
                    self._found(
                        f"{top.name}/{path.name}/{TRIAL_RECORD}",
                        "is missing",
                        "what came of the trial is not known, so it does not count",
                        f"{_FROM_A_COPY}, or run the trial again with trialbed resume",
                    )

    def _trial(self, place: str, *, counts: bool) -> None:
        name = f"{place}/{TRIAL_RECORD}"
        try:
            record = load(TrialRecord, self._root / name)
        except StoreError as error:
            if counts:  # what was put apart may be damaged: that may be why it was
                self._found(
                    name,
                    f"cannot be read ({_reason(str(error), self._root / name)})",
                    "what came of the trial is not known, so it does not count; other tools can read its series",
                    f"{_FROM_A_COPY}, or run the trial again with trialbed resume",
                )
            return
        self._wanted.update({f"{place}/{file}": digest for file, digest in record.files.items()})
        if counts and record.id != Path(place).name:
            self._found(
                place,
                f"holds trial {record.id} under another name",
                "it is not taken for a trial of the run",
                "rename the folder back",
            )

    def _before(self) -> None:
        for path in entries(self._folder.before):
            if path.name.startswith(PARTIAL):
                continue
            name = f"{self._folder.before.name}/{path.name}/saved.json"
            means = "the guest cannot be put back from this folder as it was"
            if self._readable(name, SavedState, means):
                state = load(SavedState, self._root / name)
                place = f"{self._folder.before.name}/{path.name}/definition"
                self._wanted.update({f"{place}/{file}": digest for file, digest in state.files.items()})

    # ----------------------------------------------------------------------------------------------------- digests

    def _seal(self) -> None:
        name = self._folder.sums.name
        if not self._folder.sums.is_file():
            if self._run is not None and self._run.state == "done":  # any other one is sealed when it goes on and ends
                self._found(
                    name,
                    "is missing",
                    "files that hold no digests of others, the journal among them, cannot be checked",
                    "trialbed resume writes it anew where nothing else is wrong",
                )
            else:
                self._remarks.append("the run is not sealed: digests are known of trials, inputs and guests only")
            return
        try:
            sums = read_sums(self._folder.sums)
        except (StoreError, OSError) as error:
            reason = _reason(str(error), self._folder.sums)
            self._found(name, f"cannot be read ({reason})", "it vouches for nothing", _FROM_A_COPY)
            return
        for added in sorted(self._there - set(sums)):
            if not NOT_SEALED.match(added):
                self._found(
                    added,
                    "was added after the run was sealed",
                    "it is no part of the run, and nothing that trialbed shows comes from it unless its place says so",
                    "move it out of the run's folder",
                )
        for sealed, digest in sums.items():
            # What a file's own record says of it was written first; where both know it they agree, or one was changed.
            if self._wanted.setdefault(sealed, digest) != digest:
                self._found(
                    sealed,
                    "has two digests that contradict each other",
                    "it or the file that names its digest was changed after the seal",
                    f"restore it and {name} from a copy of the run",
                )

    def _compare(self) -> int:
        """Compare every file that has a digest with it; returns their size."""
        there = [name for name in self._wanted if name in self._there]
        for name in self._wanted.keys() - self._there:
            self._found(name, "is missing", *_consequence(name))
        batches = [there[at : at + _BATCH] for at in range(0, len(there), _BATCH)]
        size = 0
        with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:  # hashing and reading both let go of Python
            for batch, looked_at in zip(batches, pool.map(self._digests, batches), strict=True):
                for name, (digest, trouble, length) in zip(batch, looked_at, strict=True):
                    size += length
                    if trouble:
                        self._found(name, f"cannot be read ({trouble})", *_consequence(name))
                    elif digest != self._wanted[name]:
                        self._found(name, f"was changed after it was written{self._still(name)}", *_consequence(name))
        return size

    def _digests(self, names: Sequence[str]) -> list[tuple[str, str, int]]:
        """Of each file its digest, why there is none, and its size."""
        found = []
        for name in names:
            path = self._root / name
            try:
                found.append((sha256_file(path), "", path.stat().st_size))
            except (StoreError, OSError) as error:
                found.append(("", _reason(str(error), path), 0))
        return found

    def _still(self, name: str) -> str:
        """Whether a series that was changed can be read at all."""
        if not name.endswith(".parquet"):
            return ""
        from orchestrator.adapters.store.parquet import read_columns  # noqa: PLC0415  loads slowly

        try:
            read_columns(self._root / name)
        except StoreError:
            return ", and cannot be read any more"
        return ", and can still be read"

    # ------------------------------------------------------------------------------------- what is missing or too much

    def _lost(self) -> None:
        for trial in self._run.lost if self._run is not None else ():
            place = f"{self._folder.trials.name}/{trial}"
            if not (self._root / place).exists():
                self._found(
                    place,
                    "is missing",
                    "the journal says that this trial ended, so the run is not complete",
                    f"{_FROM_A_COPY}, or run the trial again with trialbed resume",
                )

    def _strangers(self, *, going_on: bool) -> None:
        planned = {trial.id for trial in self._run.record.trials} if self._run is not None else None
        for name in self._unexpected(planned):
            if going_on and (PARTIAL in name or name.startswith(_IN_FLUX)):
                continue
            if PARTIAL in name and self._run is not None and self._run.state == "crashed":
                self._remarks.append(f"{name}: was being written when the run was cut short, and is never read")
            elif PARTIAL in name:
                self._found(
                    name,
                    "was being written when the run was cut short",
                    "it is never read, and nothing is lost by it",
                    "trialbed resume clears it away, or delete it",
                )
            elif name.startswith("unfinished/"):
                self._remarks.append(
                    f"{name}: what a trial had measured when the run was cut short; trialbed resume puts it apart"
                )
            else:
                self._found(
                    name,
                    "does not belong to the run",
                    "it is left alone, and nothing that trialbed shows comes from it",
                    "move it out of the run's folder",
                )

    def _unexpected(self, planned: set[str] | None) -> Iterator[str]:
        for path in entries(self._root):
            if path.name not in ENTRIES and not EARLIER_ENVIRONMENT.fullmatch(path.name):
                yield path.name
        for path in entries(self._folder.unfinished):
            yield f"{self._folder.unfinished.name}/{path.name}"
        for path in entries(self._folder.trials):
            name = f"{self._folder.trials.name}/{path.name}"
            if path.name.startswith(SUPERSEDED):
                continue
            if not path.is_dir() or path.name.startswith(PARTIAL) or (planned is not None and path.name not in planned):
                yield name
            else:
                yield from self._in_trial(name)

    def _in_trial(self, place: str) -> Iterator[str]:
        if f"{place}/{TRIAL_RECORD}" in self._findings:
            return  # without its record nobody can tell what belongs to it
        for path in entries(self._root / place):
            if (name := f"{place}/{path.name}") not in self._wanted and path.name != TRIAL_RECORD:
                yield name


#: What it means that a file is missing or changed, and what to do, by where it lies.
_CONSEQUENCES = (
    (
        re.compile(r"trials/[^/]+/trial\.json"),
        ("what came of the trial may not be what was measured", f"{_FROM_A_COPY}, or run the trial again"),
    ),
    (
        re.compile(r"trials/.*"),
        ("the trial's figures in trial.json stand, and only this series or log of it is affected", _FROM_A_COPY),
    ),
    (
        re.compile(r"before/.*"),
        ("the guest cannot be put back from this folder as it was", f"{_FROM_A_COPY} before anything else"),
    ),
    (
        re.compile(r"(plan|lab)\.yaml|inputs/.*"),
        ("it is not what the run was begun with, so resume will not go on as it is", _FROM_A_COPY),
    ),
    (re.compile(r"journal\.jsonl"), ("what happened in the run may not be what it says", _FROM_A_COPY)),
    (re.compile(r"discarded/.*"), ("it does not count, so no figure rests on it", "nothing has to be done")),
    (re.compile(r"(?s:.*)"), ("it is not as it was written", _FROM_A_COPY)),
)


def _consequence(name: str) -> tuple[str, str]:
    return next(told for pattern, told in _CONSEQUENCES if pattern.fullmatch(name))


def _reason(message: str, path: Path) -> str:
    """A message about a file without the name of the file, which the sentence has."""
    short = message.replace(f"cannot read {path}: ", "").replace(f"{path}: ", "")
    return short.partition("; restore")[0].partition("\n")[0]
