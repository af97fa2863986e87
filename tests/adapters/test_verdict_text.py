"""The verdict on a terminal: complete, within 80 columns, and harmless whatever a guest said."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console, RenderableType

from orchestrator.adapters.readings.table import read_table
from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
from orchestrator.core.measure.method import Step
from orchestrator.core.verdict.cells import Observation, Shares
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.minutes import TimeUse
from orchestrator.core.verdict.price import Price
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.verdict import Verdict, verdict

BY_HAND = b"""\
shape,vcpus,threads,block,throughput,run,wait,idle
one,1,1,1,2400,62,10,36
two,2,1,1,1470,,,
two,2,2,1,2500,,,
"""


STEPS = (Step(step="trials", what="counted", source="Student 1908"),)
"""An explanation: with it all details are shown."""


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
        "One thread: shape one",
        "Two threads: shape two",
        "Size and threads",
        "Comparisons (margin 3 %",
        "Remarks",
        "--explain of judge and show adds",
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
        r"\? shape two against one, one thread: undecided, [\d.]+ % more \(\N{MINUS SIGN}[\d.]+ % to \+[\d.]+ %\)", text
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


def priced(vcpu: float = 0.02, memory: float = 0.0) -> Verdict:
    """The same night, with a price."""
    seen = [
        Observation(shape, vcpus, None, "bookings", 1, block, rate * (1 + 0.002 * ((block * 3 + vcpus) % 5 - 2)))
        for shape, vcpus, rate in (("one", 1, 100.0), ("two", 2, 102.0))
        for block in range(1, 6)
    ]
    return verdict(Evidence(tuple(seen)), Rule(price=Price(vcpu, memory, "EUR an hour")))


def test_a_price_adds_operations_per_unit_of_cost_with_their_interval() -> None:
    text = shown(render_verdict(priced(), title="x"))
    assert "What the price buys, in EUR an hour" in text
    (row,) = [line for line in text.splitlines() if re.match(r"one +1 +0\.02 ", line)]
    rate, low, high = (float(figure) for figure in re.findall(r"[\d.]+?(?=\.\.|$| )", row.replace("..", " "))[-3:])
    assert low < rate < high
    assert rate == pytest.approx(100 / 0.02, rel=0.01)
    for best in priced().best_values:
        assert best.sentence in flat(text)


def test_a_price_of_memory_that_nobody_noted_is_said() -> None:
    text = flat(shown(render_verdict(priced(0.02, 0.003), title="x")))
    assert "No cell has a known price: memory has a price and its size was not noted" in text


def test_shapes_that_cannot_be_excluded_are_named_with_the_recommendation() -> None:
    seen = [
        Observation(shape, vcpus, None, "bookings", 1, block, rate * (1 + 0.01 * ((block * 3 + vcpus) % 4 - 2)))
        for shape, vcpus, rate in (("one", 1, 100.0), ("two", 2, 102.5))
        for block in range(1, 5)
    ]
    found = verdict(Evidence(tuple(seen)))
    assert set(found.recommendations[0].candidates) == {"one", "two"}
    assert re.search(
        r"One thread: shape (one|two); (one|two) may be the right one as well", shown(render_verdict(found, title="x"))
    )


def test_an_equivalent_pair_has_the_chance_of_its_two_one_sided_tests() -> None:
    assert "two one-sided tests" not in flat(shown(render_verdict(measured(), title="x")))
    text = flat(shown(render_verdict(measured(), title="x", explanation=STEPS)))
    assert re.search(r"equivalent, [^(]+\([^()]+; two one-sided tests, p (< 0\.001|= 0\.0\d+)\)", text)


def test_what_an_operation_takes_has_a_table_that_grows_with_the_page() -> None:
    narrow, wide = (shown(render_verdict(measured(), title="x", explanation=STEPS), width=width) for width in (70, 160))
    assert "What an operation takes" not in shown(render_verdict(measured(), title="x"))
    assert re.search(r"two +2 +24(\.0)? ms", narrow)
    assert "response busy vCPUs" not in narrow
    assert "response busy vCPUs" in wide
    assert max(len(line) for line in narrow.splitlines()) <= 70


SHARES = Shares(run=0.9, wait=0.0, idle=0.1)


def scan(sizes: tuple[int, ...] = (1, 2, 4, 8)) -> Verdict:
    """Shapes of several sizes, each with as many threads as any has vCPUs; an extra vCPU costs a little."""
    seen = [
        Observation(f"of{v}", v, None, "bookings", n, block, rate * (1 + 0.002 * ((block * 3 + v + n) % 5 - 2)))
        for v in sizes
        for n in (1, 2, 4, 8)
        for rate in [100 * min(v, n) / (1 + 0.05 * (min(v, n) - 1)) * (1 - 0.01 * max(0, v - n))]
        for block in range(1, 5)
    ]
    return verdict(Evidence(tuple(seen)))


def test_a_scan_shows_what_the_recommendations_rest_on_and_the_rest_with_the_explanation() -> None:
    found = scan()
    brief = shown(render_verdict(found, title="x"))
    full = shown(render_verdict(found, title="x", explanation=STEPS))
    assert "shape of4 against of2, eight threads" not in flat(brief), "of8 is the best with eight threads"
    assert "shape of8 against of4, eight threads: faster" in flat(brief)
    assert "shape of4 against of2, eight threads" in flat(full)
    (further,) = re.findall(r"adds (\d+) further comparisons", flat(brief))
    told = [len(re.findall(r"^  [-+=?] ", page, re.MULTILINE)) for page in (brief, full)]
    assert told[1] - told[0] == int(further)
    assert told[1] == len(found.comparisons)
    assert "further" not in full


def test_curves_that_follow_a_law_are_told_first_and_are_few() -> None:
    found = scan()
    text = flat(shown(render_verdict(found, title="x")))
    told = [s for s in found.scaling if s.sentence in text]
    assert 1 <= len(told) <= 3
    assert all(s.law is not None for s in told)
    assert told[-1].over == "both", "vCPUs with a thread each: the question of size and threads together"


def test_loads_with_one_shape_each_are_told_once() -> None:
    text = flat(shown(render_verdict(scan((8,)), title="x")))
    assert "Take shape of8 (8 vCPUs) for one, two, four and eight threads." in text
    assert text.count("is the only shape measured") == 1
    assert "The same holds for three other loads, where one shape was measured." in text


def test_figures_that_contradict_each_other_are_told_without_asking() -> None:
    """Run share, throughput and CPU time an operation are bound by U = X D (Denning & Buzen 1978): 0.9 is not 5."""
    seen = [Observation("one", 1, None, "bookings", 1, b, 100.0 + b, SHARES, (), 0.05) for b in (1, 2)]
    text = flat(shown(render_verdict(verdict(Evidence(tuple(seen))), title="x")))
    assert "What does not fit together - Run share, throughput and CPU time of an operation on shape one" in text


def test_memory_is_shown_where_shapes_differ_in_it_and_the_page_has_room() -> None:
    seen = [
        Observation(shape, 2, memory, "bookings", 1, block, 100.0 + block)
        for shape, memory in (("small", 2**30), ("large", 2**31))
        for block in (1, 2, 3)
    ]
    page = render_verdict(verdict(Evidence(tuple(seen))), title="x")
    assert "memory threads" in " ".join(shown(page).split())
    assert "memory threads" not in " ".join(shown(page, width=45).split())
    assert "memory threads" not in " ".join(shown(render_verdict(measured(), title="x"), width=200).split())


def test_how_the_time_is_best_spent_is_told_before_the_remarks() -> None:
    use = TimeUse(
        workload="bookings",
        scatter=0.01,
        from_seconds=0.1,
        overhead_s=60,
        window_s=120,
        trials_now=5,
        minutes_now=30,
        window_best_s=120,
        trials_best=5,
        minutes_best=30,
        sentences=("Trials scatter.", "More blocks would help."),
    )
    text = flat(shown(render_verdict(measured(), title="x", time=[use])))
    assert "How the time is best spent - Trials scatter. - More blocks would help." in text
    assert verdict_json(measured(), [use])["time_use"][0]["trials_now"] == 5


def test_json_is_the_whole_verdict() -> None:
    found = measured()
    value = verdict_json(found)
    assert value["comparisons"][0].keys() >= {"base", "new", "ratio", "low", "high", "verdict"}
    assert value["recommendations"][0].keys() >= {"workload", "threads", "shape", "reasons"}
    assert len(value["cells"]) == 4
    assert Verdict.model_validate({k: v for k, v in value.items() if k != "schema_version"}) == found
