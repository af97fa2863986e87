"""Where a reader learns of the neighbours that a run was measured beside."""

from __future__ import annotations

import io

import pytest
from rich.console import Console
from stored_runs import PLAN, run_record, trial_record

from orchestrator.adapters.report.json_out import run_json, to_json
from orchestrator.adapters.report.progress import Lines, Panel, Quiet
from orchestrator.adapters.report.run_text import render_run
from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
from orchestrator.core.record.run import StoredRun
from orchestrator.engine.judge import verdict_of
from orchestrator.engine.news import NeighboursBegan, RunBegan
from orchestrator.engine.virtual_clock import VirtualClock

HOGS = {"name": "hogs", "guest": None, "loops": 2, "pin": [0, 1], "command": None}
WORDS = "hogs (2 busy loops on the host's CPUs 0, 1)"


def stored(*neighbours: object) -> StoredRun:
    return StoredRun(run_record(id="run-1", plan=PLAN | {"neighbours": neighbours}), (trial_record(),), "done", "here")


def text_of(renderable: object, width: int = 200) -> str:
    console = Console(file=io.StringIO(), width=width, color_system=None, highlight=False)
    console.print(renderable)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_a_run_shows_them_among_what_was_asked() -> None:
    (line,) = [line for line in text_of(render_run(stored(HOGS))).splitlines() if line.startswith("  neighbours ")]
    assert line.rstrip().endswith(WORDS)
    assert "neighbours" not in text_of(render_run(stored()))


def test_a_verdict_says_for_which_host_it_holds() -> None:
    remark = f"Measured beside declared neighbours: {WORDS}. On a host without them the answer may differ."
    found = verdict_of(stored(HOGS))
    assert remark in found.remarks
    assert remark in verdict_json(found)["remarks"]
    assert remark in " ".join(text_of(render_verdict(found, title="?")).split())
    assert not any("neighbours" in remark for remark in verdict_of(stored()).remarks)


def test_json_holds_them_as_they_were_declared() -> None:
    assert run_json(stored(HOGS))["run"]["plan"]["neighbours"] == [HOGS]
    assert '"loops": 2' in to_json(run_json(stored(HOGS)))


@pytest.mark.parametrize("damaged", [[7], [{"name": "x"}], "hogs", None])
def test_what_cannot_be_read_is_left_out(damaged: object) -> None:
    run = StoredRun(run_record(id="run-1", plan=PLAN | {"neighbours": damaged}), (trial_record(),), "done", "here")
    assert "Where it was measured" in text_of(render_run(run))
    assert verdict_of(run).cells


def test_progress_tells_them_in_one_line_and_nothing_when_quiet() -> None:
    def console(*, terminal: bool) -> Console:
        return Console(file=io.StringIO(), width=200, force_terminal=terminal, color_system=None, highlight=False)

    for make, terminal, times in ((Lines, False, 1), (Panel, True, 1), (Quiet, False, 0)):
        screen = console(terminal=terminal)
        teller = make(screen) if make is Quiet else make(screen, VirtualClock(), "second")
        teller.tell(RunBegan("run-1", "results/run-1", "title", "simulated guest", 2, 0, 200.0, 900.0, 2))
        teller.tell(NeighboursBegan(f"{WORDS}\x1b[2J"))
        if isinstance(teller, Panel):
            teller.close()
        assert isinstance(screen.file, io.StringIO)
        said = screen.file.getvalue()
        assert said.count(f"beside declared neighbours: {WORDS}") == times
        assert "\x1b[2J" not in said
