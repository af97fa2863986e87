"""What a run until decided and a trial's steady state look like to a person, and what programs are given of them."""

from __future__ import annotations

import io
from typing import Any

import pytest
from rich.console import Console, RenderableType
from stored_runs import PLAN, run_record, summary, trial_data, trial_record

from orchestrator.adapters.report.json_out import run_json, runs_json, trial_json
from orchestrator.adapters.report.run_text import render_run
from orchestrator.adapters.report.runs_text import render_runs
from orchestrator.adapters.report.tables import trials_table
from orchestrator.adapters.report.trial_text import render_trial
from orchestrator.core.record.journal import Look
from orchestrator.core.record.run import PlannedTrial, StoredRun
from orchestrator.core.record.run_line import run_line
from orchestrator.engine.explaining import explain_trial
from orchestrator.engine.showing import pick_trial
from orchestrator.errors import StoreError


def shown(page: RenderableType) -> str:
    """The page in 80 columns."""
    stream = io.StringIO()
    Console(file=stream, width=80).print(page)
    assert max(len(line) for line in stream.getvalue().splitlines()) <= 80
    return stream.getvalue()


def run_of(*trials: Any) -> StoredRun:
    return StoredRun(run_record(id="20260801T101112Z-ferry-aaaa"), trials, "done", "results/x")


# ---------------------------------------------------------------------------------------------------- until decided


def decided_run() -> StoredRun:
    """A run of at most twelve blocks that decided after the first."""
    shapes = [(block, shape) for block in range(1, 13) for shape in ("one", "two")]
    order = tuple(
        PlannedTrial(
            id=f"{number:04d}-{shape}-bookings-t1-b{block}",
            number=number,
            block=block,
            shape=shape,
            workload="bookings",
            threads=1,
        )
        for number, (block, shape) in enumerate(shapes, start=1)
    )
    plan = PLAN | {
        "design": {"blocks": {"at_least": 2, "at_most": 12, "until": "decided"}, "order": "random", "seed": 7}
    }
    trials = tuple(trial_record(id=p.id, number=p.number, block=p.block, shape=p.shape, threads=1) for p in order[:4])
    look = Look(2, 12, enough=True, decided=True, why="every load has its shape, shown at 95 % confidence")
    return StoredRun(run_record(id="20260801T101112Z-ferry", plan=plan, trials=order), trials, "done", "here", look)


def test_a_run_that_was_decided_misses_nothing() -> None:
    run = decided_run()
    text = " ".join(shown(render_run(run, None, None)).split())
    assert "decided after 2 of at most 12 blocks. every load has its shape, shown at 95 % confidence" in text
    assert "2 cells in 2 to 12 blocks (until decided), random order, seed 7" in text
    assert "Trials in the order in which they ran: 4 of 4" in text
    row = " ".join(shown(render_runs([run_line(run)])).split())
    assert "4 of 4 done How many vCPUs" in row
    assert "VM), decided after 2 of at most 12 blocks" in row
    value = run_json(run)
    assert (value["state"], value["look"]["blocks"], value["tally"]["planned"]) == ("done", 2, 4)
    line = runs_json([run_line(run)])["runs"][0]
    assert (line["state"], line["standing"]) == ("done", "done, decided after 2 of at most 12 blocks")


def test_a_trial_that_was_not_needed_is_told_from_one_that_is_missing() -> None:
    with pytest.raises(StoreError, match="was not needed: the run decided after 2 of at most 12 blocks"):
        pick_trial(decided_run(), "7")


# ------------------------------------------------------------------------------------------------ the steady state


def test_a_trial_tells_when_the_warm_up_ended_what_recurs_and_what_was_left_out() -> None:
    known = summary().model_copy(
        update={
            "warm_up_earliest_s": 8.2,
            "warm_up_latest_s": 11.9,
            "period_s": 30.0,
            "left_out": ("reading 7: negative: a counter was reset", *(f"reading {n}: \x1b[2J" for n in range(4))),
        }
    )
    trial = trial_record(summary=known)
    text = shown(render_trial(run_of(trial), trial, trial_data()))
    flat = " ".join(text.split())
    assert "the warm-up ended between 8 and 12 s after launch" in flat
    assert "it slows down every 30 s, which is part of it: the window holds whole periods" in flat
    assert "left out, reading 7: negative: a counter was reset" in flat
    assert "and 2 more readings were left out" in flat
    assert "\x1b[2J" not in text
    row = trials_table(run_of(trial)).iloc[0]
    assert (row["warm_up_latest_s"], row["period_s"], row["left_out"]) == (11.9, 30.0, 5)


def test_a_trial_that_never_became_steady_says_of_which_kind() -> None:
    never = summary().model_copy(update={"steady": False, "window": None, "throughput": None, "kind": "drift"})
    trial = trial_record(outcome="unsteady", reason="not steady: throughput drifts", summary=never)
    text = " ".join(shown(render_trial(run_of(trial), trial, trial_data())).split())
    assert "unsteady (drift): not steady: throughput drifts" in text


def test_a_trial_explains_itself_from_its_readings() -> None:
    trial = trial_record()
    found = explain_trial(run_of(trial), trial, trial_data().throughput)
    page = " ".join(shown(render_trial(run_of(trial), trial, trial_data(), explanation=found)).split())
    assert "How this was reached" in page
    steps = trial_json(run_of(trial), trial, trial_data(), explanation=found)["explanation"]
    assert [step["step"] for step in steps][:2] == ["readings", "steady or not"]
    assert all(step["source"] for step in steps)
    assert "explanation" not in trial_json(run_of(trial), trial, trial_data())
