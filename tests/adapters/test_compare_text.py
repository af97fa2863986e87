"""Runs set against each other on a terminal: complete, within 80 columns, and harmless whatever a guest said."""

from __future__ import annotations

import io

import pytest
from comparison_values import BASE, EQUAL, FASTER, MICROCODE, NEW, OPEN, SINGLE, SLOWER, UPTIME, change, compared
from rich.console import Console, RenderableType

from orchestrator.adapters.report.compare_text import render_comparison, render_comparisons
from orchestrator.core.verdict.between_runs.results import Repetition


def shown(page: RenderableType, width: int = 80) -> str:
    stream = io.StringIO()
    Console(file=stream, width=width).print(page)
    return stream.getvalue()


def flat(text: str) -> str:
    """The page as running text, so that a test does not depend on where lines break."""
    return " ".join(text.split())


def test_the_runs_and_the_answer_come_first_then_the_cells_and_beside_them_what_else_differs() -> None:
    text = shown(render_comparison(compared()))
    lines = [line.rstrip() for line in text.splitlines()]
    assert lines[:3] == [
        f"Run {NEW}",
        f"against {BASE}",
        "One of three cells became slower: two-bookings-t2 by 4.7 %. One is undecided.",
    ]
    parts = ["- slower", "All cells together", "Undecided", "What else is not the same", "Not compared"]
    places = [text.index(part) for part in [*parts, "Remarks"]]
    assert places == sorted(places)


@pytest.mark.parametrize("width", [50, 80, 100, 140])
def test_no_line_is_wider_than_the_page(width: int) -> None:
    vast = change("a-shape-with-a-long-name", 64, base_per_s=9e6, low=0.01, high=200.0, cpu_ratio=101.0)
    page = render_comparison(compared(SLOWER, EQUAL, vast), per="hour", base_called="baseline before-upgrade")
    text = shown(page, width)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= width
    assert "…" not in text


def test_each_cell_has_sign_word_both_rates_change_and_interval() -> None:
    text = shown(render_comparison(compared(SLOWER, EQUAL, OPEN, FASTER, SINGLE)))
    rows = [line.split() for line in text.splitlines() if line[:2] in {"- ", "+ ", "= ", "? "}]
    assert [row[:4] for row in rows] == [  # by threads, then by size
        ["=", "equivalent", "one", "1"],
        ["?", "undecided", "two", "1"],
        ["-", "slower", "two", "2"],
        ["+", "faster", "four", "2"],
        ["?", "undecided", "four", "4"],
    ]
    told = [" ".join(row).replace("\N{MINUS SIGN}", "m") for row in rows]
    assert told[2] == "- slower two 2 5 and 5 812.3 774.1 m4.7 % m6.1 to m3.3 % m4.9 %"
    assert told[1] == "? undecided two 1 1 and 5 812.3 774.1 m4 % none m5 %"  # no tenths of one reading


def test_rates_are_those_of_the_period_asked_for() -> None:
    text = shown(render_comparison(compared(SLOWER), per="minute"))
    assert "48738 46446" in text
    assert "per minute" in text
    assert "A vCPU: 23922 a minute, 24366 in the base." in text


def test_loads_have_tables_of_their_own() -> None:
    fares = change(cell="two-fares-t2", base_cell="two-fares-t2", workload="fares", base_per_s=0.031, new_per_s=0.03)
    text = shown(render_comparison(compared(SLOWER, fares)))
    assert text.index("\nbookings") < text.index("812.3") < text.index("\nfares") < text.index("0.031")


def test_an_undecided_cell_says_what_would_decide_it() -> None:
    text = flat(shown(render_comparison(compared(OPEN, SINGLE, change("four", 1, verdict="undecided")))))
    assert (
        "four-bookings-t4: about four more blocks of each run "
        "or about nine more blocks of the new run alone would decide" in text
    )
    assert "two-bookings-t1: a single reading has no interval; measure at least two blocks in each run" in text
    assert "four-bookings-t1: too close to call" in text
    alone = flat(shown(render_comparison(compared(SINGLE.model_copy(update={"base_trials": 5}), OPEN))))
    assert "two-bookings-t1: only one of the base runs has it" in alone


def test_that_a_loss_is_ruled_out_is_said_of_a_cell_that_is_open_otherwise() -> None:
    text = flat(shown(render_comparison(compared(OPEN.model_copy(update={"not_worse": True})))))
    assert "four-bookings-t4: a loss of more than 3 % is ruled out; about four more blocks" in text


def test_an_end_that_belongs_to_a_later_step_of_holm_s_is_told_where_there_is_one() -> None:
    later = SLOWER.model_copy(update={"correction": "Holm, stepwise"})
    told = "Of one cell shown to differ by a later step (Holm 1979) the end near 0 % is the step's."
    assert told in flat(shown(render_comparison(compared(later, EQUAL))))
    assert "Holm" not in shown(render_comparison(compared(SLOWER, EQUAL)))


def test_a_loss_too_small_to_matter_is_told_beside_the_word_slower() -> None:
    text = flat(shown(render_comparison(compared(SLOWER.model_copy(update={"not_worse": True})))))
    assert "two-bookings-t2: slower, but a loss of more than 3 % is ruled out" in text


def test_a_narrow_page_keeps_cell_word_change_and_interval_and_drops_the_rates() -> None:
    text = shown(render_comparison(compared(SLOWER)), 48)
    (row,) = (line.split() for line in text.splitlines() if line.startswith("- slower"))
    assert row == [
        "-",
        "slower",
        "two",
        "2",
        "\N{MINUS SIGN}4.7",
        "%",
        "\N{MINUS SIGN}6.1",
        "to",
        "\N{MINUS SIGN}3.3",
        "%",
    ]
    assert "Base and new" not in text


def test_what_would_decide_against_several_runs_is_more_of_them() -> None:
    cell = change("four", 4, verdict="undecided", more_base_runs=3)
    text = flat(shown(render_comparison(compared(cell, base=("r1", "r2", "r3"), runs_are_readings=True))))
    assert "against three runs, r1, r2 and r3" in text
    assert "about three more runs for the base would decide" in text
    assert "Base: the geometric mean over runs; new: over trials, per second." in text


def test_what_is_said_of_several_cells_is_said_once() -> None:
    cells = [change(shape, 2, remarks=("bookings.py: not the file that the base sent",)) for shape in ("one", "two")]
    text = flat(shown(render_comparison(compared(*cells, change("four", 2, matched_by="name")))))
    assert "one-bookings-t2 and two-bookings-t2: bookings.py: not the file that the base sent" in text
    assert "four-bookings-t2: taken for the same by name: one of the runs does not tell its definition" in text


def test_what_else_differs_is_told_by_weight_and_of_what_hardly_matters_only_a_few() -> None:
    many = tuple(UPTIME.model_copy(update={"sentence": f"host: trifle {n}"}) for n in range(9))
    text = shown(render_comparison(compared(surroundings=(MICROCODE, *many))))
    assert text.index("Likely to matter:") < text.index("microcode 0xb000041, 0xb000040 in the base")
    assert text.index("microcode") < text.index("Unlikely to matter:") < text.index("trifle 0")
    assert "trifle 3" in text
    assert "trifle 4" not in text
    assert "and five more (--json has all of them)" in text


def test_that_nothing_else_differs_is_said() -> None:
    text = flat(shown(render_comparison(compared(surroundings=()))))
    assert "What is known of host, guest, hypervisor and method is the same." in text


def test_cells_that_stand_alone_are_listed_with_side_and_reason_also_when_no_cell_is_common() -> None:
    text = flat(shown(render_comparison(compared())))
    assert "Not compared - In the base, eight-bookings-t8: the new run has no shape of 8 vCPUs" in text
    nothing = compared().model_copy(update={"changes": (), "overall": None})
    assert "eight-bookings-t8" in shown(render_comparison(nothing))


def test_of_several_new_runs_each_is_told_and_a_line_for_each_closes() -> None:
    other = compared(FASTER, new="20261204-2100-again")
    text = flat(shown(render_comparisons([compared(), other])))
    assert text.count(f"against {BASE}") == 2
    end = text[text.index("In short") :]
    assert f"Run {NEW} is slower in one cell, undecided in one cell and equivalent in one cell, together" in end
    assert "Run 20261204-2100-again is faster in one cell, together 8.0 % more (+6.9 % to +9.1 %)." in end


def test_a_repetition_is_stated_below_the_answer() -> None:
    repetition = Repetition(
        term="reproduced",
        agree=("two-bookings-t2",),
        differ=(),
        undecided=(),
        shapes=("Two threads: shape two fits in both.",),
        same_shapes=True,
        sentence="Reproduced: all three cells agree.",
    )
    text = shown(render_comparison(compared(repetition=repetition)))
    assert text.index("Reproduced: all three cells agree.") < text.index("Two threads: shape two fits in both.")
    assert text.index("shape two fits in both") < text.index("- slower")


def test_what_a_guest_said_cannot_steer_the_terminal() -> None:
    evil = "\x1b[2Jkernel\u202e\n[bold]"
    found = compared(
        change("\x1b]0;x", remarks=(evil,)),
        answer=evil,
        remarks=(evil,),
        surroundings=(MICROCODE.model_copy(update={"sentence": evil}),),
    )
    text = shown(render_comparison(found, base_called=evil))
    assert all(line.isprintable() for line in text.split("\n"))
    assert "[bold]" in text
