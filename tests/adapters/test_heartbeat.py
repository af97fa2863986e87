"""The sign of life of a run: kept fresh by a real thread in a real folder, and missed by nobody where it cannot be."""

from __future__ import annotations

import json
import os
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from simulated_run import plan

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.store.heartbeat import Heartbeat
from orchestrator.core.design.trials import trials
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.alive import RECENT, Alive
from orchestrator.engine.news import Measured, RunEnded, StageBegan, TrialBegan, WaitingForQuiet
from orchestrator.units import utc_seconds

TRIAL = trials(plan())[0]
_TICK = threading.Event()


def becomes(holds: Callable[[], bool]) -> bool:
    """Whether something holds soon; it is looked at again and again."""
    return any(holds() or _TICK.wait(0.005) for _ in range(2000))


def said(folder: Path) -> dict[str, Any]:
    """What it says now; empty where nothing is there."""
    path = folder / "alive.json"
    return json.loads(path.read_bytes()) if path.is_file() else {}


def test_it_tells_trial_stage_and_rate_and_is_gone_with_the_run(tmp_path: Path) -> None:
    heartbeat = Heartbeat(tmp_path, SystemClock(), every_s=0.01)
    assert becomes(lambda: said(tmp_path).get("pid") == os.getpid())
    assert said(tmp_path)["trial"] is None
    heartbeat.tell(TrialBegan(TRIAL))
    heartbeat.tell(StageBegan("log in", 7, "connection refused"))
    assert becomes(lambda: said(tmp_path)["said"] == "try 7, since connection refused")
    heartbeat.tell(StageBegan("quiet"))
    heartbeat.tell(WaitingForQuiet("60 % of its CPU time is used", 300.0, 3))
    assert becomes(lambda: said(tmp_path)["said"] == "waiting for a quiet host: 60 % of its CPU time is used")
    heartbeat.tell(StageBegan("measure"))
    heartbeat.tell(Measured(2400.0, None, 0.02, None, "warming up"))
    assert becomes(lambda: said(tmp_path)["rate_per_s"] == 2400.0)
    alive = Alive.model_validate(said(tmp_path))
    assert (alive.trial, alive.stage, alive.said) == (TRIAL.id, "measure", "warming up")
    assert abs((utc_seconds(alive.time_utc) or 0) - SystemClock().now()) < 10
    heartbeat.tell(RunEnded("run-1", "done", 0))
    assert list(tmp_path.iterdir()) == []
    heartbeat.close()


def test_the_last_readings_of_a_trial_outlast_its_stages_and_not_the_trial(tmp_path: Path) -> None:
    heartbeat = Heartbeat(tmp_path, SystemClock(), every_s=0.01)
    steady = Interval(mean=9.0, low=8.0, high=10.0)
    heartbeat.tell(TrialBegan(TRIAL))
    heartbeat.tell(StageBegan("warm up"))
    for rate in range(60):
        heartbeat.tell(Measured(float(rate), None, 0.02, None, "warming up"))
    heartbeat.tell(StageBegan("measure"))
    heartbeat.tell(Measured(9.0, steady, 0.02, 0.1, "measuring"))
    assert becomes(lambda: len(said(tmp_path).get("recent", ())) == RECENT)
    recent = Alive.model_validate(said(tmp_path)).recent
    assert (recent[0], recent[-2], recent[-1]) == ((60.0 - RECENT + 1, False), (59.0, False), (9.0, True))
    heartbeat.tell(TrialBegan(TRIAL))
    assert becomes(lambda: said(tmp_path)["recent"] == [])
    heartbeat.close()


def test_it_beats_without_news(tmp_path: Path) -> None:
    heartbeat = Heartbeat(tmp_path, SystemClock(), every_s=0.01)
    assert becomes(lambda: bool(said(tmp_path)))
    first = said(tmp_path)["time_utc"]
    assert becomes(lambda: said(tmp_path)["time_utc"] > first)
    heartbeat.close(OSError("whatever ended the run"))
    assert list(tmp_path.iterdir()) == []


def test_readers_never_see_a_part_of_it(tmp_path: Path) -> None:
    heartbeat = Heartbeat(tmp_path, SystemClock(), every_s=0.0001)
    assert becomes(lambda: bool(said(tmp_path)))
    for _ in range(500):
        Alive.model_validate(said(tmp_path))
    heartbeat.close()


def test_a_folder_that_cannot_be_written_harms_nobody_and_is_tried_again(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    heartbeat = Heartbeat(folder, SystemClock(), every_s=0.01)
    heartbeat.tell(TrialBegan(TRIAL))
    folder.mkdir()
    assert becomes(lambda: said(folder).get("trial") == TRIAL.id)
    shutil.rmtree(folder, ignore_errors=True)
    heartbeat.tell(StageBegan("measure"))
    heartbeat.close()
