"""Names in a store, for whoever types them: found fast, by folders and the index alone, and nothing is written.

What cannot be read is left out. Only names that a shell takes as they stand are told.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Sequence
from contextlib import closing, suppress
from pathlib import Path

from orchestrator.adapters.store.layout import BASELINES, INDEX, RunFolder, is_safe_name

_TRIAL = re.compile(r"\d+-(?P<cell>.+)-b\d+")
_BUSY_FOR_S = 0.1
_READ_THEMSELVES = 10


def run_names(root: Path) -> list[str]:
    """The runs of a store, the youngest first: their names begin with their time."""
    return [name for name in reversed(_folders(root)) if name != BASELINES]


def run_titles(root: Path, runs: Sequence[str]) -> dict[str, str]:
    """Titles of runs: as the index has them, and of the first few that it has not yet, as they have them themselves."""
    titles: dict[str, str] = {}
    with suppress(sqlite3.Error, OSError, ValueError):
        uri = f"{(root / INDEX).absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(uri, uri=True, timeout=_BUSY_FOR_S)) as database:
            titles = dict(database.execute("SELECT run, json_extract(line, '$.title') FROM runs").fetchall())
    for run in [run for run in runs if run not in titles][:_READ_THEMSELVES]:
        with suppress(OSError, ValueError, KeyError, TypeError):
            titles[run] = json.loads(RunFolder(root / run).record.read_bytes())["title"]
    return {run: str(titles[run]) for run in runs if run in titles}


def trial_names(root: Path, run: str) -> list[str]:
    """The finished trials of a run, which is an id, the beginning of one, ``last``, or the path of its folder."""
    if "/" in run:
        return _folders(RunFolder(Path(run)).trials)
    names = run_names(root)
    meant = names[:1] if run == "last" else [name for name in names if name.startswith(run)]
    return _folders(RunFolder(root / meant[0]).trials) if len(meant) == 1 or run in meant else []


def cell_names(root: Path, run: str) -> list[str]:
    """The cells that a run has finished trials of."""
    found = (_TRIAL.fullmatch(name) for name in trial_names(root, run))
    return sorted({match["cell"] for match in found if match is not None})


def baseline_names(root: Path) -> list[str]:
    """The baselines of a store."""
    with suppress(OSError):
        files = sorted((root / BASELINES).iterdir())
        return [path.stem for path in files if path.suffix == ".json" and is_safe_name(path.stem)]
    return []


def _folders(place: Path) -> list[str]:
    with suppress(OSError):
        return sorted(path.name for path in place.iterdir() if is_safe_name(path.name) and path.is_dir())
    return []
