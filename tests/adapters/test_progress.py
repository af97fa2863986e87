"""Progress as a person sees it: the panel on a terminal, lines elsewhere, nothing when quiet."""

from __future__ import annotations

import errno
import io
import subprocess
import sys

import pytest
from rich.console import Console
from stored_runs import failed_record, trial_record

from orchestrator.adapters.report.progress import Lines, Panel, Quiet, course, make, outcome_reason, outcome_text
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import trials
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.journal import Look
from orchestrator.engine.news import (
    BlocksJudged,
    Measured,
    News,
    Notice,
    RunBegan,
    RunEnded,
    StageBegan,
    TimePlanned,
    TrialBegan,
    TrialEnded,
    WaitingForQuiet,
)
from orchestrator.engine.virtual_clock import VirtualClock

PLAN = Plan.model_validate(
    {
        "title": "How many vCPUs does the bookings database need?",
        "lab": "lab.yaml",
        "guest": "bookings-1",
        "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}],
        "workloads": [{"name": "bookings", "use": "bookings", "threads": [1]}],
        "design": {"blocks": 2},
    }
)
HOSTILE = "\x1b[2Jgone\u202e [bold]markup[/bold]"
INTERVAL = Interval(mean=1000.0, low=985.0, high=1015.0, effective_samples=40.0)
STORY: list[News] = [
    RunBegan("run-1", "results/run-1", PLAN.title, "simulated guest", 2, 0, 200.0, 900.0, 2),
    TrialBegan(trials(PLAN)[0]),
    StageBegan("log in"),
    StageBegan("log in", 2, HOSTILE),
    StageBegan("measure"),
    Measured(990.0, None, 0.02, None, "8 s left of the shortest warm-up"),
    Measured(1004.0, INTERVAL, 0.02, 0.015, "measuring"),
    Notice(HOSTILE),
    TrialEnded(trial_record()),
    TrialEnded(failed_record(reason=HOSTILE)),
    RunEnded("run-1", "done", 1),
]


def screen(*, terminal: bool, width: int = 80) -> Console:
    return Console(file=io.StringIO(), force_terminal=terminal, width=width, highlight=False, color_system=None)


def told(console: Console) -> str:
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_without_a_terminal_each_event_is_one_timestamped_line() -> None:
    console = screen(terminal=False)
    lines = Lines(console, VirtualClock(), "second")
    for news in STORY:
        lines.tell(news)
    text = told(console).splitlines()
    assert all(line.startswith("2026-01-01T00:00:00.000Z  ") for line in text)
    assert len(text) == len(STORY) - 2, "live figures are for terminals"
    assert "2 trials to go, 3 min 20 s to 15 min" in text[0]
    assert "try 2" in text[3]
    assert "the guest is as it was before" in text[-1]


def test_the_panel_shows_run_trial_stage_throughput_and_target() -> None:
    console = screen(terminal=True)
    clock = VirtualClock()
    panel = Panel(console, clock, "minute")
    for news in STORY[:7]:
        panel.tell(news)
        clock.sleep(1)
    shown = screen(terminal=False)
    shown.print(panel.view())
    text = told(shown)
    panel.close()
    assert "trial 1 of 2" in text
    assert "3 min 20 s to 15 min to go" in text
    assert "one (1 vCPU), bookings, threads 1, block 1: measure" in text
    assert "60240 per minute" in text
    assert "known within 1.5 % (target 2.0 %)" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_the_panel_scrolls_what_is_over_and_ends_with_the_run() -> None:
    console = screen(terminal=True)
    panel = Panel(console, VirtualClock(), "second")
    for news in STORY:
        panel.tell(news)
    panel.close()
    text = told(console)
    assert "+ 0001-one-bookings-t1-b1" in text
    assert "x 0002-two-bookings-t2-b1" in text


def test_the_time_left_goes_down_while_a_trial_is_in_hand_and_never_below_that_of_the_others() -> None:
    clock = VirtualClock()
    panel = Panel(screen(terminal=True), clock, "second")
    panel.tell(RunBegan("run-1", "results/run-1", PLAN.title, "simulated guest", 4, 0, 200.0, 900.0, 4))
    clock.sleep(60)
    panel.tell(TrialEnded(trial_record()))
    left = []
    for _ in range(4):
        shown = screen(terminal=False)
        shown.print(panel.view())
        left.append(told(shown).splitlines()[0].partition("about ")[2].strip())
        clock.sleep(30)
    panel.close()
    assert left == ["3 min to go", "2 min 30 s to go", "2 min to go", "2 min to go"]


@pytest.mark.parametrize("terminal", [True, False])
def test_text_from_guests_cannot_reach_the_terminal_raw(terminal: bool) -> None:
    console = screen(terminal=terminal, width=200)
    reporter = Panel(console, VirtualClock(), "second") if terminal else Lines(console, VirtualClock(), "second")
    for news in STORY:
        reporter.tell(news)
    text = told(console)
    assert "\x1b[2J" not in text.replace("\x1b[2K", "")
    assert "\u202e" not in text
    assert "[bold]markup[/bold]" in text


def test_quiet_tells_notices_only_and_on_standard_error() -> None:
    errors = screen(terminal=False)
    quiet = Quiet(errors)
    for news in STORY:
        quiet.tell(news)
    assert told(errors).count("note:") == 1


def test_the_reporter_fits_where_the_output_goes() -> None:
    for terminal, quiet, kind in ((True, False, Panel), (False, False, Lines), (True, True, Quiet)):
        reporter = make(screen(terminal=terminal), screen(terminal=False), VirtualClock(), "second", quiet=quiet)
        assert type(reporter.teller) is kind
        reporter.close()
        reporter.close()


class Gone(io.StringIO):
    """Where a terminal was until it was closed."""

    def write(self, text: str) -> int:
        raise OSError(errno.EIO, f"Input/output error, and {len(text)} characters are lost")


@pytest.mark.parametrize("terminal", [True, False])
def test_a_terminal_that_is_closed_costs_the_news_and_not_the_run(terminal: bool) -> None:
    console = Console(file=Gone(), force_terminal=terminal, width=80)
    reporter = make(console, console, VirtualClock(), "second", quiet=False)
    for news in STORY:
        reporter.tell(news)
    reporter.close()


PIPED = """
import sys
from rich.console import Console
from orchestrator.adapters.report.progress import make
from orchestrator.engine.news import Notice
from orchestrator.engine.virtual_clock import VirtualClock
sys.stdin.read()
console = Console(file=sys.stdout)
reporter = make(console, console, VirtualClock(), "second", quiet=False)
for number in range(3):
    reporter.tell(Notice(f"event {number}"))
reporter.close()
sys.stderr.write("the run goes on")
"""


@pytest.mark.real
def test_a_pipe_whose_reader_has_left_costs_the_news_and_not_the_run() -> None:
    command = [sys.executable, "-c", PIPED]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        process.stdin.close()
        assert process.stderr.read() == b"the run goes on"


def test_a_mean_that_is_not_known_yet_has_no_silly_figure() -> None:
    console = Console(file=io.StringIO(), force_terminal=True, width=80)
    panel = Panel(console, VirtualClock(), "second")
    for within, says in ((17.8, "mean not known yet"), (0.018, "mean known within 1.8 %")):
        panel.tell(STORY[0])
        panel.tell(Measured(100.0, INTERVAL, 0.02, within, "measuring"))
        with console.capture() as capture:
            console.print(panel.view())
        panel.close()
        assert says in capture.get()


def test_an_outcome_names_flags_and_reasons() -> None:
    assert "per second" in outcome_text(trial_record(), "second")
    assert outcome_text(failed_record(), "second").startswith("failed: the guest did not answer")


def steady(*rates: float) -> list[tuple[float, bool]]:
    return [(rate, True) for rate in rates]


def test_sparks_start_at_zero_and_survive_anything() -> None:
    assert course(steady(0.0, 50.0, 100.0), "now").plain == "▁▄█ now"
    assert course([], "now").plain == course(steady(0.0, 0.0), "now").plain == "now"
    assert course(steady(-5.0, 10.0), "").plain.startswith("▁█")
    assert course(steady(float("nan"), 5.0, float("inf")), "").plain.startswith("█ ")


def test_a_bar_stands_where_the_warm_up_ends_and_again_where_it_was_not_over_after_all() -> None:
    story = [(20.0, False), (60.0, False), (100.0, True), (100.0, True), (30.0, False)]
    assert course(story, "now").plain == "▂▅|██|▃ now"


def test_the_sparks_of_a_new_trial_begin_anew_and_a_wide_screen_has_more_of_them() -> None:
    shown = {}
    for width in (80, 120):
        panel = Panel(screen(terminal=True, width=width), VirtualClock(), "second")
        for news in [*STORY[:3], *[Measured(100.0, None, 0.02, None, "warming up")] * 200]:
            panel.tell(news)
        page = screen(terminal=False, width=width)
        page.print(panel.view())
        shown[width] = told(page).count("█")
        for news in (TrialBegan(trials(PLAN)[1]), Measured(1.0, None, 0.02, None, "warming up")):
            panel.tell(news)
        page = screen(terminal=False, width=width)
        page.print(panel.view())
        panel.close()
        assert told(page).count("█") == 1
    assert shown == {80: 24, 120: 64}


SEQUENTIAL = RunBegan("run-1", "results/run-1", PLAN.title, "simulated guest", 48, 0, 200.0, 9000.0, 12)


def test_a_run_until_decided_tells_how_few_and_how_many_trials_and_each_look() -> None:
    console = screen(terminal=False, width=200)
    lines = Lines(console, VirtualClock(), "second")
    lines.tell(SEQUENTIAL)
    lines.tell(BlocksJudged(Look(3, 12, enough=False, decided=False, why="two threads are still open")))
    lines.tell(BlocksJudged(Look(4, 12, enough=True, decided=True, why="every load has its shape")))
    text = told(console)
    assert "12 to 48 trials to go, 3 min 20 s to 2 h 30 min" in text
    assert "not decided after 3 of at most 12 blocks. two threads are still open" in text
    assert "Z  decided after 4 of at most 12 blocks. every load has its shape" in text


def test_the_panel_of_a_run_until_decided_says_that_it_may_end_earlier() -> None:
    console = screen(terminal=True)
    clock = VirtualClock()
    panel = Panel(console, clock, "second")
    panel.tell(SEQUENTIAL)
    clock.sleep(60)
    panel.tell(TrialEnded(trial_record()))
    panel.tell(BlocksJudged(Look(3, 12, enough=False, decided=False, why="\x1b[2Jopen")))
    shown = screen(terminal=False)
    shown.print(panel.view())
    panel.close()
    assert "trial 2 of at most 48" in told(shown)
    assert "at most about 47 min to go" in " ".join(told(shown).split())
    assert "not decided after 3 of at most 12 blocks" in told(console)
    assert "\x1b[2Jopen" not in told(console)


def test_waiting_for_a_quiet_host_is_told_now_and_then_with_why_and_how_long() -> None:
    clock, console = VirtualClock(), screen(terminal=False, width=200)
    lines, panel = Lines(console, clock, "second"), Panel(screen(terminal=True, width=200), clock, "second")
    for look in range(1, 9):
        news = WaitingForQuiet(f"50 % of its CPU time is used {HOSTILE}", 600.0 - 60 * look, look)
        lines.tell(news)
        for told in (STORY[0], STORY[1], news) if look == 1 else (news,):
            panel.tell(told)
    panel.close()
    written = console.file.getvalue().splitlines()
    assert len(written) == 4  # at the 1st, 2nd, 4th and 8th look
    assert "waiting for a quiet host, 9 min at most: 50 % of its CPU time is used" in written[0]
    assert "2 min at most" in written[3]
    assert "\x1b" not in "".join(written)
    with console.capture() as captured:
        console.print(panel.view())
    assert "waiting for a quiet host, 2 min at most" in captured.get()


def test_a_run_with_an_end_tells_when_it_ends_and_what_its_block_takes() -> None:
    planned = TimePlanned("Sun 29 Nov 06:30 CET", 29_520.0, 5, 12, 8, 2460.0)
    console = screen(terminal=False, width=200)
    Lines(console, VirtualClock(), "second").tell(planned)
    assert "ends by Sun 29 Nov 06:30 CET, in 8 h 12 min; block 5 of 12: 8 trials, 41 min at most" in told(console)
    clock = VirtualClock()
    panel = Panel(screen(terminal=True), clock, "second")
    panel.tell(SEQUENTIAL)
    panel.tell(planned)
    clock.sleep(3600)
    shown = screen(terminal=False)
    shown.print(panel.view())
    panel.close()
    assert "ends by Sun 29 Nov 06:30 CET, 7 h 12 min left" in told(shown)


def test_a_notice_is_one_line_of_a_log_and_an_outcome_does_not_say_unsteady_twice() -> None:
    quiet = screen(terminal=False)
    Quiet(quiet).tell(Notice("the host " + "was busy " * 30))
    assert told(quiet).count("\n") == 1
    record = trial_record(outcome="unsteady", reason="not steady: throughput drifts", summary=None)
    assert outcome_text(record, "second") == "unsteady: throughput drifts"
    assert outcome_reason("failed", "not steady: said the load") == "failed: not steady: said the load"
