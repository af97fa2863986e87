"""The history of cells for programs: one JSON value, or a table with a row a run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from orchestrator.adapters.report.json_out import SCHEMA_VERSION, plain_value
from orchestrator.core.verdict.history.results import CellHistory


def histories_json(cells: Sequence[CellHistory], problems: Sequence[str] = ()) -> dict[str, Any]:
    """What ``trialbed history --json`` prints; rates are operations per second."""
    return {"schema_version": SCHEMA_VERSION, "cells": plain_value(list(cells)), "problems": list(problems)}


def histories_table(cells: Sequence[CellHistory]) -> pd.DataFrame:
    """One row a run of each cell, oldest first; ``series`` numbers the cells that were followed."""
    return pd.DataFrame(
        [
            {
                "series": number,
                "cell": point.cell,
                "guest": cell.guest,
                "run": point.run,
                "started_utc": point.started_utc,
                "state": point.state,
                "trials": point.trials,
                "per_s": point.per_s,
                "low_per_s": point.low,
                "high_per_s": point.high,
                "level_per_s": point.level_per_s,
                "step": any(step.run == point.run for step in cell.steps),
                "changed": "; ".join(upgrade.sentence for upgrade in point.changed),
            }
            for number, cell in enumerate(cells, start=1)
            for point in cell.points
        ]
    ).convert_dtypes()
