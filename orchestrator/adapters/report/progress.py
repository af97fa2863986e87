"""Progress of a run: a live panel on a terminal, one timestamped line an event elsewhere, nothing when quiet."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from contextlib import suppress
from itertools import groupby
from operator import itemgetter

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table

from orchestrator.adapters.report.figures import rate_text
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.text import Text
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import number
from orchestrator.engine.news import (
    BlocksJudged,
    Measured,
    NeighboursBegan,
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
from orchestrator.engine.ports import Clock
from orchestrator.units import PERIODS, Seconds, format_duration, utc_text

_SPARKS = "▁▂▃▄▅▆▇█"
#: What stands beside the sparks of a line, about; and the fewest of them that show a course.
_BESIDE, _FEWEST_SPARKS = 56, 24


def _print(console: Console, view: RenderableType, *, soft_wrap: bool = False) -> None:
    """Print a view by itself: texts that rich is given directly, it joins to one of its own kind."""
    console.print(Group(view), soft_wrap=soft_wrap)


class Quiet:
    """Tells nothing but what a person has to know."""

    def __init__(self, errors: Console) -> None:
        self._errors = errors

    def tell(self, news: News) -> None:
        """Notices only."""
        if isinstance(news, Notice):
            # A log wants a line a notice.
            _print(self._errors, Text(f"note: {safe(news.text)}"), soft_wrap=not self._errors.is_terminal)


class Lines:
    """One line an event, with the time in UTC: for logs and pipes."""

    def __init__(self, console: Console, clock: Clock, per: str) -> None:
        self._console, self._clock, self._per = console, clock, per
        self._count = 0

    def tell(self, news: News) -> None:
        """Print the event's line, if it has one."""
        text = self._text(news)
        if text:
            _print(self._console, Text(f"{utc_text(self._clock.now())}  {text}"), soft_wrap=True)

    def _text(self, news: News) -> str:
        text = ""
        match news:
            case RunBegan():
                self._count = news.trials
                left = f"{_to_go(news)} to go, {_range(news.least_s, news.most_s)}"
                text = f"run {news.run} began: {safe(news.title)} ({news.kind}; {left})"
            case NeighboursBegan() | TimePlanned():
                text = _ahead_text(news)
            case TrialBegan(trial=trial):
                text = f"trial {trial.number}/{self._count} {trial.id} began"
            case StageBegan():
                text = _stage_text(news)
            case WaitingForQuiet() if news.looks.bit_count() == 1:
                text = f"  {_waiting_text(news)}"
            case TrialEnded(record=record):
                text = f"trial {record.number}/{self._count} {record.id} {outcome_text(record, self._per)}"
            case BlocksJudged(look=look):
                text = safe(look.told, 1000)
            case Notice(text=notice):
                text = f"note: {safe(notice)}"
            case RunEnded(run=run, state=state):
                text = f"run {run} {state}; the guest is as it was before"
        return text


def _stage_text(news: StageBegan) -> str:
    """A stage, and of its tries the 2nd, 4th, 8th and so on: a guest that boots is asked many times."""
    if news.attempt == 1:
        return f"  {news.stage}"
    return f"  {news.stage}: try {news.attempt}, since {safe(news.why)}" if news.attempt.bit_count() == 1 else ""


def _ahead_text(news: NeighboursBegan | TimePlanned) -> str:
    """What there is beside, or ``ends by Sun 29 Nov 06:30 CET, in 8 h; block 5 of 12: 8 trials, 41 min at most``."""
    if isinstance(news, NeighboursBegan):
        return f"beside declared neighbours: {safe(news.described)}"
    trials = "1 trial" if news.trials == 1 else f"{news.trials} trials"
    return (
        f"ends by {safe(news.ends)}, in {format_duration(round(news.left_s))}; block {news.block} of {news.blocks}: "
        f"{trials}, {format_duration(round(news.up_to_s))} at most"
    )


def _waiting_text(news: WaitingForQuiet) -> str:
    return f"waiting for a quiet host, {format_duration(news.left_s)} at most: {safe(news.why)}"


def _in_hand(news: StageBegan | WaitingForQuiet) -> str:
    """What the trial in hand is at, for the panel."""
    if isinstance(news, WaitingForQuiet):
        return _waiting_text(news)
    return news.stage if news.attempt == 1 else f"{news.stage} (try {news.attempt})"


class Panel:
    """A live panel: the whole run with the time left, the trial and stage in hand, throughput against its target."""

    def __init__(self, console: Console, clock: Clock, per: str) -> None:
        self._console, self._clock, self._per = console, clock, per
        self._run: RunBegan | None = None
        self._trial: TrialBegan | None = None
        self._stage = ""
        self._measured: Measured | None = None
        self._planned: TimePlanned | None = None
        self._planned_at_s = 0.0
        self._recent: deque[tuple[float, bool]] = deque(maxlen=max(console.width - _BESIDE, _FEWEST_SPARKS))
        self._began_s = self._trial_began_s = self._ended_s = 0.0
        self._ended = 0
        self._on = False
        self._live = Live(console=console, get_renderable=self.view, refresh_per_second=4, transient=True)

    def tell(self, news: News) -> None:
        """Take the event in; finished trials and notices scroll by above the panel."""
        match news:
            case RunBegan():
                self._run, self._began_s, self._on = news, self._clock.monotonic(), True
                _print(self._console, Text.assemble((safe(news.title), "bold"), f"\n{news.kind}; run {news.run}"))
                self._live.start()
            case NeighboursBegan(described=described):
                _print(self._console, Text(f"beside declared neighbours: {safe(described)}"))
            case TimePlanned() | TrialBegan():
                self._begin(news)
            case StageBegan() | WaitingForQuiet():
                self._stage = _in_hand(news)
            case Measured():
                self._measured = news
                self._recent.append((news.rate, news.interval is not None))
            case TrialEnded(record=record):
                self._ended += 1
                self._ended_s = self._clock.monotonic()
                _print(self._console, self._finished(record))
            case BlocksJudged(look=look):
                _print(self._console, Text(safe(look.told, 1000)))
            case Notice(text=text):
                _print(self._console, Text(f"note: {safe(text)}"))
            case RunEnded():
                self.close()

    def _begin(self, news: TimePlanned | TrialBegan) -> None:
        if isinstance(news, TimePlanned):
            self._planned, self._planned_at_s = news, self._clock.monotonic()
        else:
            self._trial, self._measured = news, None
            self._recent.clear()
            self._trial_began_s = self._clock.monotonic()

    def close(self) -> None:
        """Take the panel away; safe to call twice."""
        if self._on:
            self._on = False
            self._live.stop()

    def view(self) -> RenderableType:
        """What the panel shows now."""
        run, trial = self._run, self._trial
        if run is None:
            return Text("")
        finished = run.done + self._ended
        bar = Table.grid(padding=(0, 1))
        bar.add_row(
            Text(
                f"trial {min(finished + 1, run.trials)} of {'at most ' if run.surely < run.trials else ''}{run.trials}"
            ),
            ProgressBar(total=run.trials, completed=finished, width=24),
            Text(self._time_left(run)),
        )
        rows: list[RenderableType] = [bar]
        if (planned := self._planned) is not None:
            left_s = max(planned.left_s - (self._clock.monotonic() - self._planned_at_s), 0.0)
            rows.append(Text(f"ends by {safe(planned.ends)}, {format_duration(round(left_s))} left"))
        if trial is not None:
            spent = format_duration(round(self._clock.monotonic() - self._trial_began_s))
            cell = trial.trial.cell
            where = f"{cell.shape.name} ({_vcpus(cell.shape.vcpus)}), {cell.workload.name}, threads {cell.threads}"
            rows.append(Text(f"{where}, block {trial.trial.block}: {self._stage}, {spent}"))
        if self._measured is not None:
            rows.append(course(self._recent, self._measured_text(self._measured)))
        return Group(*rows)

    def _finished(self, record: TrialRecord) -> RenderableType:
        mark, style = _MARKS[record.outcome]
        row = Table.grid(padding=(0, 1))
        row.add_column(no_wrap=True)
        row.add_column(no_wrap=True)
        row.add_row(Text(mark, style=style), Text(record.id), Text(outcome_text(record, self._per)))
        return row

    def _measured_text(self, now: Measured) -> str:
        factor = PERIODS[self._per]
        text = f"{number(now.rate * factor)} per {self._per}; {safe(now.state)}"
        if now.within is not None and now.within > 1:
            text += ", mean not known yet"
        elif now.within is not None:
            text += f", mean known within {now.within:.1%} (target {now.target:.1%})".replace("%", " %")
        return text

    def _time_left(self, run: RunBegan) -> str:
        if not self._ended:
            return f"{_range(run.least_s, run.most_s)} to go"
        each_s = (self._ended_s - self._began_s) / self._ended
        after_this_one = max(run.trials - run.done - self._ended - 1, 0)
        in_hand_s = max(each_s - (self._clock.monotonic() - self._ended_s), 0.0)
        most = "at most " if run.surely < run.trials else ""
        return f"{most}about {format_duration(round(after_this_one * each_s + in_hand_s))} to go"


def _to_go(run: RunBegan) -> str:
    """``12 trials``, and where the evidence may end the run ``12 to 48 trials``."""
    least, most = run.surely - run.done, run.trials - run.done
    number = str(most) if least == most else f"{least} to {most}"
    return "1 trial" if most == 1 else f"{number} trials"


_MARKS = {"measured": ("+", "green"), "unsteady": ("~", "yellow"), "failed": ("x", "red")}


def outcome_text(record: TrialRecord, per: str) -> str:
    """A finished trial in one line."""
    summary = record.summary
    if summary is None or summary.throughput is None:
        return outcome_reason(record.outcome, record.reason)
    parts = [f"{rate_text(summary.throughput, per)} per {per}"]
    if record.outcome != "measured":
        parts.append(outcome_reason(record.outcome, record.reason))
    if flags := [check.title for check in summary.checks if check.state == "flag"]:
        parts.append(f"look at: {', '.join(flags)}")
    return "; ".join(parts)


def outcome_reason(outcome: str, reason: str) -> str:
    """Outcome and reason of a trial that does not count; ``unsteady`` says already that it was not steady."""
    told = reason.removeprefix("not steady: ") if outcome == "unsteady" else reason
    return f"{outcome}: {safe(told)}"


def _vcpus(number: int) -> str:
    return "1 vCPU" if number == 1 else f"{number} vCPUs"


def course(recent: Iterable[tuple[float, bool]], words: str) -> Text:
    """The last readings as a row of blocks whose height is the share of the largest, from zero; and words after it.

    A bar stands where the warm-up ends, and the blocks before it are dim.

    Args:
        recent: rates, the oldest first, each with whether it was read in the steady state.
        words: on the same line.
    """
    readings = [(rate, steady) for rate, steady in recent if math.isfinite(rate)]
    top = max((rate for rate, _ in readings), default=0.0)
    line = Text("")
    for steady, part in groupby(readings if top > 0 else (), key=itemgetter(1)):
        blocks = "".join(_SPARKS[min(int(max(rate, 0.0) / top * 7.999), 7)] for rate, _ in part)
        line.append("|" if line.plain else "")
        line.append(blocks, None if steady else "dim")
    line.append(f" {words}" if line.plain else words)
    return line


def _range(least_s: Seconds, most_s: Seconds) -> str:
    return f"{format_duration(least_s)} to {format_duration(most_s)}"


class Unfailing:
    """Any of the above as a :class:`~orchestrator.engine.ports.Reporter`: what it tells may be lost, the run may not.

    The reader of a pipe goes away, a terminal is closed, the disk under a redirected output fills up; and a signal may
    be told of while another event is just being written.
    """

    def __init__(self, teller: Quiet | Lines | Panel) -> None:
        self.teller = teller

    def tell(self, news: News) -> None:
        """Tell the event, if that can be done."""
        with suppress(Exception, SystemExit):  # rich exits where a pipe is broken
            self.teller.tell(news)

    def close(self) -> None:
        """Take away what is on the screen; safe to call twice."""
        if isinstance(self.teller, Panel):
            with suppress(Exception, SystemExit):
                self.teller.close()


def make(console: Console, errors: Console, clock: Clock, per: str, *, quiet: bool) -> Unfailing:
    """The reporter that fits where the output goes."""
    if quiet:
        return Unfailing(Quiet(errors))
    return Unfailing(Panel(console, clock, per) if console.is_terminal else Lines(console, clock, per))
