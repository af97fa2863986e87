"""From what a person typed to the folder of a run: an id, the beginning of one, ``last``, or a path."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path

from orchestrator.adapters.store.atomic import PARTIAL, explained
from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.store.layout import BASELINES, RunFolder, instant
from orchestrator.core.record.run import RunRecord
from orchestrator.core.record.run_line import RunLine
from orchestrator.errors import StoreError

_NAMES_SHOWN = 8


@dataclass(frozen=True)
class Folders:
    """What lies in a results folder.

    Attributes:
        runs: folders that may be runs, by name.
        problems: what a crash left behind.
    """

    runs: tuple[Path, ...]
    problems: tuple[str, ...]


def folders(root: Path) -> Folders:
    """Look into a results folder; one that is not there holds nothing.

    Raises:
        StoreError: when it cannot be read.
    """
    if not root.is_dir():
        return Folders((), ())
    with explained("read", root):
        entries = sorted(path for path in root.iterdir() if path.is_dir())
    left_over = [path for path in entries if path.name.startswith(PARTIAL)]
    return Folders(
        tuple(path for path in entries if not path.name.startswith(".") and path.name != BASELINES),
        tuple(f"{path}: left over from a run that was cut short as it began; it may be deleted" for path in left_over),
    )


def resolve(root: Path, run: str) -> RunFolder:
    """The folder that ``run`` means.

    Raises:
        StoreError: when it means none or several, with what there is.
    """
    if "/" in run or run in {"", ".", ".."}:
        return _given_path(run)
    names = [path.name for path in folders(root).runs]
    if not names:
        raise StoreError(f"there are no runs in {root} yet; make one with: trialbed run plans/first.yaml")
    if run in names:
        return RunFolder(root / run)
    if run == "last":
        return RunFolder(_last(root))
    matches = [name for name in names if name.startswith(run)]
    if len(matches) == 1:
        return RunFolder(root / matches[0])
    if matches:
        raise StoreError(f"{run!r} fits {len(matches)} runs: {_some(matches)}; give more of the name, or 'last'")
    near = difflib.get_close_matches(run, names, n=3, cutoff=0.5) or names[-3:]
    are = "is" if len(near) == 1 else "are"
    raise StoreError(f"no run in {root} begins with {run!r}; there {are} {_some(near)}; 'trialbed list' shows all")


def age(record: RunRecord | RunLine, folder: Path) -> tuple[object, ...]:
    """Sort key: by start; runs of the same second by when their record was written."""
    return (instant(record.started_utc), (folder / "run.json").stat().st_mtime_ns, record.id)


def _last(root: Path) -> Path:
    readable: list[tuple[tuple[object, ...], Path]] = []
    reason = ""
    for path in folders(root).runs:
        try:
            readable.append((age(load(RunRecord, path / "run.json"), path), path))
        except StoreError as error:
            reason = str(error)
    if not readable:
        raise StoreError(f"none of the runs in {root} can be read: {reason}")
    return max(readable)[1]


def _given_path(run: str) -> RunFolder:
    path = Path(run)
    if not run or not path.name or ".." in path.parts:
        raise StoreError(
            f"{run!r} does not name a run; give its id, the beginning of its id, 'last', "
            "or the path of its folder without '..'"
        )
    if not (path / "run.json").is_file():
        raise StoreError(f"{path} is not the folder of a run: it holds no run.json; 'trialbed list' shows the runs")
    return RunFolder(path)


def _some(names: list[str]) -> str:
    shown = ", ".join(names[:_NAMES_SHOWN])
    return f"{shown} and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else shown
