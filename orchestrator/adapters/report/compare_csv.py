"""Runs set against each other as one flat table, for a spreadsheet or a notebook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from orchestrator.adapters.report.compare_words import ordered
from orchestrator.adapters.report.tables import Field
from orchestrator.core.verdict.between_runs.results import Change, RunsCompared

NOT_COMPARED = "not compared"
_TEXTS = ("remarks",)


def comparisons_table(found: Sequence[RunsCompared]) -> pd.DataFrame:
    """A row a cell of each new run; cells that only one side has are rows too, with the verdict ``not compared``.

    Rates are operations per second, memory is in bytes, ratios are new over base. What is unavailable is empty.
    """
    rows = [row for one in found for row in _rows(one)]
    names = ["new_run", "base_runs", *Change.model_fields, "side", "why"]
    return pd.DataFrame(rows, columns=names).convert_dtypes()


def _rows(found: RunsCompared) -> Iterator[dict[str, Field]]:
    runs: dict[str, Field] = {"new_run": found.new, "base_runs": " ".join(found.base)}
    for change in ordered(found.changes):
        yield runs | change.model_dump(exclude=set(_TEXTS)) | {"side": "both", "remarks": "; ".join(change.remarks)}
    for alone in found.unmatched:
        yield runs | {"cell": alone.cell, "verdict": NOT_COMPARED, "side": alone.side, "why": alone.why}
