"""How many blocks a repetition measures: those that its original did, wherever the evidence had a say in that."""

from __future__ import annotations

from typing import Any

import pytest
from simulated_run import plan, record_of

from orchestrator.core.record.journal import Look
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.repetitions import fixed_blocks

UNTIL_DECIDED = {"at-least": 3, "at-most": 12, "until": "decided"}


def stored(blocks: Any, ended: int, look: Look | None = None) -> StoredRun:
    """A run of four cells of which so many trials have ended."""
    record = record_of(plan(design={"blocks": blocks, "seed": 7}))
    told: dict[str, Any] = {"outcome": "failed", "reason": "", "started_utc": "", "ended_utc": "", "summary": None}
    told |= {"launched_monotonic_s": None, "stages": (), "clocks": (), "workload_sha256": {}, "seen_inside": {}}
    trials = tuple(TrialRecord(**planned.model_dump(), **told) for planned in record.trials[:ended])
    return StoredRun(record, trials, "done", "", look)


@pytest.mark.parametrize(
    ("run", "blocks"),
    [
        (stored(5, ended=20), None),
        (stored(5, ended=7), None),  # its plan fixed the number: all of them are measured
        (stored(UNTIL_DECIDED, 16, Look(4, 12, enough=True, decided=True, why="")), 4),
        (stored(UNTIL_DECIDED, 48, Look(12, 12, enough=True, decided=False, why="")), 12),
        (stored(UNTIL_DECIDED, 14, Look(3, 12, enough=False, decided=False, why="")), 3),
        (stored(UNTIL_DECIDED, 11), 2),
        (stored(UNTIL_DECIDED, 2), 1),
    ],
    ids=["fixed", "fixed, interrupted", "decided", "never decided", "in its fourth", "in its third", "in its first"],
)
def test_a_repetition_measures_the_whole_blocks_that_its_original_did(run: StoredRun, blocks: int | None) -> None:
    assert fixed_blocks(run) == blocks
