"""Baselines: one small file a name beside the runs, in the folder ``baselines`` of the store.

A baseline names runs and holds the digest of each one's seal. So a run that was changed, resumed or deleted since is
noticed without reading it whole; whether its files are as its seal says, ``trialbed verify`` tells.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from orchestrator.adapters.store.atomic import explained, make_folders, replace_file
from orchestrator.adapters.store.digests import sha256_file
from orchestrator.adapters.store.json_file import document, load
from orchestrator.adapters.store.layout import BASELINES, RunFolder
from orchestrator.core.design.wording import listed, shown, unknown
from orchestrator.core.record.baseline import Baseline, BaselineRun
from orchestrator.core.record.run import StoredRun
from orchestrator.errors import StoreError

#: Begins with a letter, as no run's id does, so that one is never taken for the other.
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9._-]{0,39}")
_RESERVED = frozenset({"last"})


class Baselines:
    """The baselines of a store.

    Args:
        root: the results folder.
    """

    def __init__(self, root: Path) -> None:
        self._root, self._folder = root, root / BASELINES

    def names(self) -> list[str]:
        """Every name, sorted.

        Raises:
            StoreError: the folder cannot be read.
        """
        if not self._folder.is_dir():
            return []
        with explained("read", self._folder):
            files = [path for path in self._folder.iterdir() if path.suffix == ".json"]
        return sorted(path.stem for path in files if _NAME.fullmatch(path.stem))

    def find(self, name: str) -> Baseline | None:
        """A baseline by its name; ``None`` where there is none.

        Raises:
            StoreError: its file is damaged.
        """
        if name not in self.names():
            return None
        found = load(Baseline, self._file(name))
        if found.name != name or not found.runs:
            raise StoreError(f"{self._file(name)}: holds no baseline {name}; set it again")
        return found

    def get(self, name: str) -> Baseline:
        """A baseline by its name.

        Raises:
            StoreError: there is none, with what there is; or its file is damaged.
        """
        found = self.find(name)
        if found is None:
            if there := self.names():
                raise StoreError(f"{self._root}: {unknown('baseline', name, there)}")
            example = f"trialbed baseline set {name if _NAME.fullmatch(name) else 'before-upgrade'} last"
            raise StoreError(f"there are no baselines in {self._root} yet; set one with: {example}")
        return found

    def member(self, run: StoredRun) -> BaselineRun:
        """A run as part of a baseline.

        Raises:
            StoreError: it does not lie in this store, has not ended, or measured nothing.
        """
        folder, name = RunFolder(Path(run.location)), run.record.id
        if folder.path.resolve().parent != self._root.resolve():
            raise StoreError(f"{run.location} does not lie in {self._root}; a baseline names runs of its own store")
        if not folder.sums.is_file():
            raise StoreError(
                f"run {name} ({run.state}) has no seal, so whether it is changed later could not be told; "
                f"end it first with: trialbed resume {name}"
            )
        if not any(trial.outcome == "measured" for trial in run.trials):
            raise StoreError(f"run {name} has no steady trial, so nothing could be compared with it; name another")
        return BaselineRun(run=name, sums_sha256=sha256_file(folder.sums))

    def set(self, baseline: Baseline, *, replace: bool) -> None:
        """Keep a baseline under its name.

        Raises:
            StoreError: it cannot be a name, is taken, or the system refuses.
        """
        name = baseline.name
        if not _NAME.fullmatch(name) or name in _RESERVED:
            raise StoreError(
                f"{shown(name)} cannot name a baseline; use up to 40 ASCII letters, digits, '-', '_' and '.', "
                f"beginning with a letter, and not {listed(sorted(_RESERVED))}"
            )
        alike = [there for there in self.names() if there.lower() == name.lower()]
        if alike and (not replace or alike != [name]):
            other = "" if alike == [name] else f" ({alike[0]}, which some file systems take for the same)"
            what = "--replace sets it anew" if alike == [name] else "choose another name"
            raise StoreError(f"there is a baseline {name} already{other}; {what}")
        with explained("write", self._folder):
            make_folders(self._folder)
        replace_file(self._file(name), document(baseline))

    def remove(self, name: str) -> Baseline:
        """Forget a baseline; its runs stay.

        Raises:
            StoreError: there is none, or the system refuses.
        """
        found = self.get(name)
        with explained("delete", self._file(name)):
            self._file(name).unlink()
        return found

    def changes(self, baseline: Baseline) -> list[str]:
        """What is not as it was when the baseline was set, a sentence for each of its runs; nothing as a rule.

        Raises:
            StoreError: the system refuses to look.
        """
        told: list[str] = []
        for member in baseline.runs:
            with explained("read", self._root / member.run):
                told += self._change(member)
        return told

    def _change(self, member: BaselineRun) -> Iterator[str]:
        folder = RunFolder(self._root / member.run)
        if not folder.record.is_file():
            yield f"run {member.run} is not in {self._root} any more; bring it back"
        elif not folder.sums.is_file():
            yield f"run {member.run} has lost its seal (SHA256SUMS); restore it from a copy"
        elif sha256_file(folder.sums) != member.sums_sha256:
            yield f"run {member.run} was changed or resumed since: its seal is another"

    def _file(self, name: str) -> Path:
        return self._folder / f"{name}.json"
