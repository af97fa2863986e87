"""What a report on runs set against each other says: the answer, each cell's change, and what else is not the same."""

from __future__ import annotations

from dataclasses import replace

import pytest
from comparison_values import EQUAL, FASTER, MICROCODE, OPEN, SLOWER, UPTIME, compared
from measured_runs import measured_run
from report_sources import column, section, sections, sentences, source_of, table

from orchestrator.adapters.report.content.comparison import comparison_document
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import Beside, Document
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.record.run import Environment
from orchestrator.core.verdict.between_runs.results import Repetition, RunsCompared
from orchestrator.engine.compare import compare_stored

CELLS = {("one", 1): 100.0, ("two", 1): 101.0}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> tuple[RunsCompared, dict[str, RunSource]]:
    """Two runs of two cells: the new one on another kernel, and its second cell a tenth slower."""
    root = tmp_path_factory.mktemp("store")
    kernel = {"base": "6.1.0-31", "new": "6.1.0-32"}
    ids = [
        measured_run(
            root,
            f"2026-08-0{day}T10:00:00.000Z",
            {**CELLS, ("two", 1): rate},
            environment=Environment(host={"kernel": kernel[side]}, guest={"kernel": "6.1.0-31"}),
        )
        for day, side, rate in ((1, "base", 101.0), (2, "new", 90.0))
    ]
    store = FolderStore(root)
    return compare_stored(store, ids[:1], ids[1]), {run: source_of(store, run) for run in ids}


@pytest.fixture(scope="module")
def document(runs: tuple[RunsCompared, dict[str, RunSource]]) -> Document:
    return comparison_document([runs[0]], "baseline before-upgrade", runs[1], "minute")


def test_the_answer_is_the_comparisons_and_both_runs_are_named(
    runs: tuple[RunsCompared, dict[str, RunSource]], document: Document
) -> None:
    found, _ = runs
    assert document.kind == "comparison"
    assert document.answer == found.answer.replace("-6.", "\N{MINUS SIGN}6.").replace("-5.", "\N{MINUS SIGN}5.")
    assert document.about == f"Run {found.new}, against baseline before-upgrade: {found.base[0]}"
    assert document.certainty == "Both cells are decided at 95 % confidence, for all cells together."
    assert document.mark == "bad"
    assert [one.id for one in document.sections] == ["changes", "together", "surroundings", "remarks", "base", "new"]


def test_the_figures_of_each_cell_are_the_comparisons(
    runs: tuple[RunsCompared, dict[str, RunSource]], document: Document
) -> None:
    cells = table(section(document, "changes"), "Cells in both")
    changes = runs[0].changes
    rates = table(section(document, "changes"), "Throughput in base and new run")
    assert column(rates, "base") == [change.base_per_s * 60 for change in changes]
    assert column(rates, "new") == [change.new_per_s * 60 for change in changes]
    assert column(cells, "change") == pytest.approx([(change.ratio - 1) * 100 for change in changes])
    assert column(cells, "verdict") == ["equivalent", "slower"]
    assert cells.marked == {1}
    beside = section(document, "changes").blocks[0]
    assert isinstance(beside, Beside)
    assert [chart.id for chart in beside.charts] == ["changes", "before-after"]


def test_no_figure_of_a_cell_is_told_by_two_tables(document: Document) -> None:
    """Of those that a report of text and tables has."""
    heads = [one.name for found in section(document, "changes").tables() for one in found.columns]
    assert heads.count("change") == heads.count("base") == heads.count("new") == heads.count("verdict") == 1


def test_what_else_is_not_the_same_is_told_with_how_likely_it_matters(document: Document) -> None:
    told = sentences(section(document, "surroundings"))
    assert told[0] == "Likely to matter:"
    assert any("6.1.0-31 in the base, 6.1.0-32 in the new run" in text for text in told)


def test_each_run_follows_folded_with_ids_of_its_own(document: Document) -> None:
    base, new = section(document, "base"), section(document, "new")
    assert base.folded
    assert [part.id for part in base.parts] == ["base-throughput", "base-trials"]
    assert [part.id for part in new.parts] == ["new-throughput", "new-trials"]
    ids = [found.id for found in sections(document)]
    charts = [chart.id for chart in document.charts()]
    assert len(ids) == len(set(ids))
    assert len(charts) == len(set(charts))
    assert {"base-throughput-bookings", "new-throughput-bookings"} <= set(charts)


def test_what_is_true_of_both_runs_is_told_once(document: Document) -> None:
    assert document.warnings == ("Guest bookings-1: process guest, not a VM.",)
    told = [text for found in sections(document) if "trial" not in found.id for text in sentences(found)]
    assert len(told) == len(set(told))


def test_a_warning_of_one_run_names_it(runs: tuple[RunsCompared, dict[str, RunSource]]) -> None:
    found, sources = runs
    damaged = {**sources, found.new: replace(sources[found.new], problems=("trial.json is cut short",))}
    document = comparison_document([found], "", damaged, "second")
    assert f"Run {found.new}: Damaged: trial.json is cut short" in document.warnings


def test_runs_that_asked_differently_are_titled_by_what_they_asked(
    runs: tuple[RunsCompared, dict[str, RunSource]],
) -> None:
    found, sources = runs
    run = sources[found.new].run
    asked = replace(run, record=run.record.model_copy(update={"title": "And with four?"}))
    document = comparison_document(
        [found], "", {**sources, found.new: replace(sources[found.new], run=asked)}, "second"
    )
    assert document.title == f"Compared: {sources[found.base[0]].run.record.title} and And with four?"


# ----------------------------------------------------------------------------------------------- comparisons as values


def test_an_undecided_cell_says_what_would_decide_it_and_how_many_are_decided() -> None:
    document = comparison_document([compared(EQUAL, OPEN, FASTER)], "", {}, "second")
    assert document.title == "Runs set against each other"
    assert document.certainty == "Two of three cells are decided at 95 % confidence, for all cells together."
    assert document.mark == "doubt"
    cells = table(section(document, "changes"), "Cells in both")
    told = dict(zip(column(cells, "verdict"), column(cells, "what would decide it"), strict=True))
    assert told["equivalent"] == ""
    assert told["undecided"].startswith("about four more blocks of each run or about nine")


def test_a_repetition_says_what_it_is_in_the_place_of_the_certainty() -> None:
    statement = Repetition(
        term="repeated",
        agree=("one-bookings-t1",),
        differ=(),
        undecided=(),
        shapes=("One thread: shape one fits in both, as the intervals show.",),
        same_shapes=True,
        sentence="Repeated, in ACM's terms.",
    )
    found = compared(EQUAL).model_copy(update={"repetition": statement})
    document = comparison_document([found], "", {}, "second")
    assert document.certainty == "Repeated, in ACM's terms."
    assert sentences(section(document, "shapes")) == list(statement.shapes)


def test_several_new_runs_stand_one_below_the_other() -> None:
    first, second = compared(SLOWER), compared(EQUAL).model_copy(update={"new": "another-run"})
    document = comparison_document([first, second], "", {}, "second")
    assert document.answer.startswith(f"Run {first.new} is slower in one cell")
    assert document.certainty == "Each comparison holds by itself at its confidence, not all of them together."
    assert document.mark == "bad"
    assert [one.id for one in document.sections] == ["new-1", "new-2"]
    assert section(document, "new-2").parts[0].id == "new-2-changes"
    assert [chart.id for chart in document.charts()] == [
        "new-1-changes",
        "new-1-before-after",
        "new-2-changes",
        "new-2-before-after",
    ]


def test_runs_without_a_cell_in_common_say_so_and_draw_nothing() -> None:
    found = compared().model_copy(
        update={"changes": (), "overall": None, "answer": "No cell is the same in both runs."}
    )
    document = comparison_document([found], "", {}, "second")
    assert document.answer == "No cell is the same in both runs."
    assert (document.certainty, document.mark) == ("", "open")
    assert not list(document.charts())


def test_every_difference_of_the_surroundings_is_told() -> None:
    several = tuple(UPTIME.model_copy(update={"sentence": f"host: fact {number} differs"}) for number in range(9))
    found = compared(SLOWER).model_copy(update={"surroundings": (MICROCODE, *several)})
    told = sentences(section(comparison_document([found], "", {}, "second"), "surroundings"))
    assert MICROCODE.sentence in told
    assert {one.sentence for one in several} <= set(told)
