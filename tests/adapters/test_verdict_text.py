"""The verdict on a terminal: complete, within 80 columns, and harmless whatever a guest said."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console, RenderableType

from orchestrator.adapters.readings.table import read_table
from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
from orchestrator.core.verdict.cells import Observation, Shares
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import Verdict, verdict

BY_HAND = b"""\
shape,vcpus,threads,block,throughput,run,wait,idle
one,1,1,1,2400,62,10,36
two,2,1,1,1470,,,
two,2,2,1,2500,,,
"""


def shown(page: RenderableType, width: int = 80, *, colour: bool = False) -> str:
    stream = io.StringIO()
    console = Console(
        file=stream,
        width=width,
        force_terminal=colour,
        color_system="truecolor" if colour else None,
        legacy_windows=False,
    )
    console.print(page)
    return stream.getvalue()


def flat(text: str) -> str:
    """The page as running text, so that a test does not depend on where lines break."""
    return " ".join(text.split())


def measured(k: int = 5, workloads: tuple[str, ...] = ("bookings",)) -> Verdict:
    """A night at the ferry line, with counters."""
    rates = {("one", 1): 2400, ("two", 1): 2380, ("one", 2): 2450, ("two", 2): 4300}
    seen = []
    for workload in workloads:
        for (shape, threads), rate in rates.items():
            vcpus = {"one": 1, "two": 2}[shape]
            for block in range(1, k + 1):
                per_vcpu = tuple(
                    Shares(run=0.97, wait=0.02, idle=0.01) if n < threads else Shares(run=0.01, wait=0, idle=0.99)
                    for n in range(vcpus)
                )
                average = Shares(**{f: sum(getattr(s, f) for s in per_vcpu) / vcpus for f in ("run", "wait", "idle")})
                scatter = 1 + 0.004 * ((block * 7 + threads * 3 + vcpus * 5) % 5 - 2)
                seen.append(
                    Observation(
                        shape, vcpus, 2**30, workload, threads, block, rate * scatter / 60, average, per_vcpu, 0.024
                    )
                )
    return verdict(Evidence(tuple(seen)), Rule(per="minute"))


def test_the_answer_comes_first_then_the_evidence() -> None:
    text = shown(
        render_verdict(measured(), title="How many vCPUs?", guest_kind="process guest, not a VM", per="minute")
    )
    lines = text.splitlines()
    assert lines[0].strip() == "How many vCPUs?"
    assert lines[1].startswith("Take shape one (1 vCPU) for one thread and shape two (2 vCPUs) for two threads.")
    order = [
        "per minute",
        "Guest: process guest, not a VM.",
        "Comparisons (margin 3 %",
        "One thread: shape one",
        "Two threads: shape two",
        "Size and threads",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_the_table_has_every_figure() -> None:
    text = shown(render_verdict(measured(), title="x"))
    (row,) = [line for line in text.splitlines() if re.match(r"\* two +2 +2 ", line)]
    assert re.fullmatch(r"\* two +2 +2 +5 +43\d\d +42\d\d\.\.43\d\d +97 % +2 % +1 % +24 ms *", row)
    assert "The second vCPU of shape two with one thread is idle 99 % of the time." in flat(text)


@pytest.mark.parametrize("per", ["second", "minute", "hour"])
def test_the_period_is_as_asked(per: str) -> None:
    text = shown(render_verdict(measured(), title="x", per=per))
    assert f"per {per}" in text


@pytest.mark.parametrize("page", [measured(), measured(workloads=("bookings", "timetable")), measured(k=1)])
def test_it_fits_80_columns(page: Verdict) -> None:
    text = shown(
        render_verdict(page, title="How many vCPUs does the bookings database need?" * 3, guest_kind="virtual machine")
    )
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "…" not in text


def test_colour_says_nothing_that_words_do_not() -> None:
    page = render_verdict(measured(), title="x", guest_kind="virtual machine")
    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown(page, colour=True))
    assert plain == shown(page)
    assert "\x1b[" not in shown(page)


def test_every_comparison_is_told_in_words() -> None:
    text = flat(shown(render_verdict(measured(), title="x")))
    assert re.search(r"\+ shape two against one, two threads: faster, 7\d(\.\d)? % more \(\+\d", text)
    assert re.search(r"= shape two against one, one thread: equivalent, ", text)
    assert re.search(r"\+ shape two, two threads against one: faster", text)
    assert re.search(r"\+ shape two with two threads against shape one with one thread: faster", text)


def test_readings_by_hand_are_told_without_an_interval() -> None:
    """Common practice, no published source."""
    found = verdict(read_table("readings.csv", BY_HAND, per="minute"), Rule(per="minute"))
    text = shown(render_verdict(found, title="readings.csv"))
    assert re.search(r"\* one +1 +1 +1 +2400 +none +62 % +10 % +36 %", text)
    assert re.search(r"  two +2 +1 +1 +1470 +none +\? +\? +\?", text)
    for remark in found.remarks:
        assert remark in flat(text)
    assert "undecided, 39 % less on the figures (a single reading)" in flat(text)
    assert "Guest:" not in text


def test_an_undecided_comparison_tells_the_blocks_that_would_decide() -> None:
    seen = [
        Observation(s, v, None, "load", 1, b, r)
        for s, v, rates in (("one", 1, (98, 101, 103)), ("two", 2, (103, 101, 108)))
        for b, r in enumerate(rates)
    ]
    text = flat(shown(render_verdict(verdict(Evidence(tuple(seen))), title="x")))
    assert re.search(
        r"\? shape two against one, one thread: undecided, [\d.]+ % more \(-[\d.]+ % to \+[\d.]+ %\)", text
    )
    assert re.search(r"; about \S+ more blocks? would decide", text)


def test_nothing_measured_is_shown_as_that() -> None:
    text = flat(shown(render_verdict(verdict(Evidence((), remarks=("All failed.",))), title="x")))
    assert text == "x No trial was measured, so nothing can be said. Remarks - All failed."


def test_text_from_elsewhere_is_shown_and_not_obeyed() -> None:
    evil = "\x1b[2J[red]x[/red]\u202e"
    seen = Observation(evil, 1, None, evil, 1, 1, 10)
    text = shown(render_verdict(verdict(Evidence((seen,), remarks=(evil,))), title=evil, guest_kind=evil), width=200)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "[red]" in text


def test_json_is_the_whole_verdict() -> None:
    found = measured()
    value = verdict_json(found)
    assert value["comparisons"][0].keys() >= {"base", "new", "ratio", "low", "high", "verdict"}
    assert value["recommendations"][0].keys() >= {"workload", "threads", "shape", "reasons"}
    assert len(value["cells"]) == 4
    assert Verdict.model_validate({k: v for k, v in value.items() if k != "schema_version"}) == found
