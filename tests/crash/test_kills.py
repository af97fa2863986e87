"""Real runs, really killed. ``python tests/crash/kills.py`` does the same five hundred times."""

from __future__ import annotations

from pathlib import Path

import pytest
from kills import many

pytestmark = pytest.mark.real


def test_a_run_that_is_killed_at_any_instant_goes_on_and_leaves_nothing(tmp_path: Path) -> None:
    tally = many(15, seed=19, base=tmp_path)
    assert not tally.wrong
    assert tally.kills >= 15
    assert tally.discarded > 0, "no kill met a trial, so nothing was shown"
