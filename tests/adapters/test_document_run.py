"""What the report of one run says: the answer first, then the figures, the reasons, and all that they rest on."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from measured_runs import measured_run
from report_sources import column, kept, of_run, section, sections, sentences, source_of, table, texts
from stored_runs import FIRST, PLAN, SECOND, failed_record, interrupted_run, summary, trial_record, whole_run

from orchestrator.adapters.report.content.run import run_document
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import Beside, Chart, Checks, Document, Facts, Table, Verbatim
from orchestrator.adapters.report.verdict_text import verdict_json
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.results import AverageShare, TrialSummary
from orchestrator.core.record.journal import NotBack
from orchestrator.core.record.run import Environment
from orchestrator.core.verdict.minutes import TimeUse

CELLS = {("one", 1): 100.0, ("two", 1): 101.0, ("one", 2): 100.0, ("two", 2): 190.0}
ORDER = [
    "throughput",
    "cpu",
    "reasons",
    "comparisons",
    "remarks",
    "trials",
    "checks",
    "environment",
    "plan",
    "versions",
    "repeat",
]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> FolderStore:
    """A run of two shapes and two thread counts in four blocks, and before it one with a failed trial."""
    root = tmp_path_factory.mktemp("store")
    whole_run(root)
    measured_run(root, "2026-08-02T10:00:00.000Z", CELLS)
    return FolderStore(root)


@pytest.fixture(scope="module")
def document(store: FolderStore) -> Document:
    return run_document(source_of(store), "second")


def test_the_answer_is_the_verdicts_and_how_sure_it_is_comes_with_it(store: FolderStore, document: Document) -> None:
    source = source_of(store)
    assert document.kind == "run"
    assert document.title == PLAN["title"]
    assert document.answer == source.verdict.answer
    assert document.mark == "good"
    least = min(found.certainty or 0.0 for found in source.verdict.recommendations)
    assert document.certainty.startswith("Shape ")
    assert "can be named alone at" in document.certainty
    assert f"{int(least * 1000) / 10:g} %" in document.certainty or "more than 99.9 %" in document.certainty


def test_the_sections_come_in_the_order_in_which_they_are_read(document: Document) -> None:
    assert [found.id for found in document.sections] == ORDER


def test_each_figure_of_the_cells_is_the_one_that_programs_are_given(store: FolderStore) -> None:
    source = source_of(store)
    told = json.loads(json.dumps(verdict_json(source.verdict)))["cells"]
    for per, seconds in (("second", 1.0), ("hour", 3600.0)):
        cells = table(section(run_document(source, per), "throughput"), "Cells")
        assert column(cells, "throughput") == [cell["throughput_per_s"] * seconds for cell in told]
        assert column(cells, "from") == [cell["low"] * seconds for cell in told]
        assert column(cells, "to") == [cell["high"] * seconds for cell in told]
        assert column(cells, "trials") == [cell["trials"] for cell in told]
        assert column(cells, "wait") == [cell["wait"] * 100 for cell in told]
        assert {one.unit for one in cells.columns if one.name in {"throughput", "from", "to"}} == {f"per {per}"}


def test_the_chart_of_throughput_stands_beside_that_of_the_vcpus_time(document: Document) -> None:
    beside = next(block for block in section(document, "throughput").blocks if isinstance(block, Beside))
    assert [chart.id for chart in beside.charts] == ["throughput-bookings", "time-bookings"]
    assert [chart.id for chart in section(document, "cpu").charts()] == ["cpu-bookings"]


def test_recommended_cells_are_marked_and_say_so_in_words(store: FolderStore, document: Document) -> None:
    cells = table(section(document, "throughput"), "Cells")
    named = {(row[0], int(row[2].value)) for row in cells.rows if row[-1] == "recommended"}  # type: ignore[union-attr,arg-type]
    assert named == {(found.shape, found.threads) for found in source_of(store).verdict.recommendations}
    assert cells.marked == {at for at, row in enumerate(cells.rows) if row[-1] == "recommended"}


def test_what_an_operation_takes_is_told_in_one_unit_for_all_cells(store: FolderStore, document: Document) -> None:
    found = table(section(document, "cpu"), "What an operation takes")
    demands = source_of(store).verdict.demands
    units = {one.unit for one in found.columns if one.name in {"CPU time", "from", "to", "wait", "idle"}}
    assert units == {"ms"}
    assert column(found, "CPU time") == [demand.cpu_s.mean * 1000 for demand in demands if demand.cpu_s is not None]


def test_every_comparison_is_told_and_those_that_the_choice_rests_on_are_marked(store: FolderStore) -> None:
    source = source_of(store)
    found = section(run_document(source, "second"), "comparisons")
    tables = [block for block in found.blocks if isinstance(block, Table)]
    assert sum(len(one.rows) for one in tables) == len(source.verdict.comparisons)
    for one in tables:
        assert one.marked == {at for at, row in enumerate(one.rows) if row[-1] == "rests on it"}
    assert "arked" not in " ".join(sentences(found)), "each says so in words"
    ratios = [(value or 0.0) / 100 + 1 for one in tables for value in column(one, "change")]
    assert ratios == pytest.approx([one.ratio for one in source.verdict.comparisons])


def test_a_reason_that_holds_for_several_loads_is_told_once_for_all_of_them(document: Document) -> None:
    shared = section(document, "reasons-shared")
    assert any(text.startswith("The intervals show it at 95 %") for text in sentences(shared))
    told = [text for found in sections(document) if not found.id.startswith("trial") for text in sentences(found)]
    assert len(told) == len(set(told))


def test_every_id_is_the_only_one_of_its_kind(document: Document) -> None:
    ids = [found.id for found in sections(document)]
    charts = [chart.id for chart in document.charts()]
    assert len(ids) == len(set(ids))
    assert len(charts) == len(set(charts))


def test_rows_have_a_cell_for_each_column(document: Document) -> None:
    for found in document.tables():
        assert {len(row) for row in found.rows} <= {len(found.columns)}
        assert all(0 <= at < len(found.rows) for at in found.marked)


# --------------------------------------------------------------------------------------------- checks and surroundings


def test_checks_are_counted_over_all_trials_and_flags_told_with_their_trials(store: FolderStore) -> None:
    document = run_document(source_of(store), "second")
    checks = section(document, "checks")
    counted = table(checks, "Checks over all trials")
    assert column(counted, "check") == ["shape", "other load", "frequency"]
    assert column(counted, "ok") == [16, 0, 0]
    assert column(counted, "flag") == [0, 16, 0]
    assert column(counted, "unavailable") == [0, 0, 16]
    assert checks.mark == "doubt"
    (flagged,) = (block for block in checks.blocks if isinstance(block, Checks))
    (name, mark, detail) = flagged.items[0]
    assert (name, mark) == ("other load", "doubt")
    assert detail.startswith("trials 1, 2, 3,")
    assert detail.endswith("15 and 16: 12 % of the host was busy with something else")


def test_a_flag_in_many_wordings_is_told_in_a_few_and_names_every_trial(tmp_path: Path) -> None:
    root = tmp_path / "store"
    measured_run(root, "2026-08-02T10:00:00.000Z", CELLS)
    source = source_of(FolderStore(root))
    trials = tuple(
        trial.model_copy(update={"summary": _flagged(trial.number) if trial.summary else None})
        for trial in source.run.trials
    )
    changed = of_run(source, trials=trials)
    checks = next(
        block for block in section(run_document(changed, "second"), "checks").blocks if isinstance(block, Checks)
    )
    assert len(checks.items) == 5
    assert checks.items[-1][2] == ("trials 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15 and 16: likewise, with other figures")


def _flagged(number: int) -> TrialSummary:
    base = summary()
    checks = [one.model_copy(update={"detail": f"{number} % was busy"}) for one in base.checks if one.state == "flag"]
    return base.model_copy(update={"checks": tuple(checks)})


def test_facts_stand_beside_each_other_and_those_that_are_not_known_with_the_reason(tmp_path: Path) -> None:
    environment = Environment(
        host={"cpu_model": "A CPU", "kernel": None},
        guest={"cpu_model": None, "kernel": "6.1"},
        hypervisor={"acceleration": "none: a process"},
        unavailable={"host": {"kernel": "no login"}, "guest": {"cpu_model": "no login"}},
    )
    measured_run(tmp_path, "2026-08-02T10:00:00.000Z", CELLS, environment=environment)
    document = run_document(source_of(FolderStore(tmp_path)), "second")
    machines = table(section(document, "environment"), "What host and guest told")
    assert [row[1:] for row in machines.rows] == [("A CPU", "not known"), ("not known", "6.1")]
    unknown = table(section(document, "environment-unknown"), "Facts that are not known")
    assert list(unknown.rows) == [("kernel", "host", "no login"), ("CPU", "guest", "no login")]
    defined = next(block for block in section(document, "environment").blocks if isinstance(block, Facts))
    assert defined.pairs == (("acceleration", "none: a process"),)


def test_the_plan_stands_as_it_was_given_and_the_lab_does_not(document: Document) -> None:
    given = [block for found in sections(document) for block in found.blocks if isinstance(block, Verbatim)]
    assert "title: ferry" in {block.text.strip() for block in given}
    assert not any("hosts:" in text for text in texts(document))  # a lab holds addresses


def test_a_reader_is_told_how_to_do_it_again(store: FolderStore, document: Document) -> None:
    run = source_of(store).run.record.id
    commands = [block.text for block in section(document, "repeat").blocks if isinstance(block, Verbatim)]
    assert commands == [
        "trialbed check plan.yaml\ntrialbed run plan.yaml",
        f"trialbed pack {run}\ntrialbed repeat {run}.zip --lab YOUR-LAB.yaml",
    ]
    assert not any("this bundle" in text for text in texts(document)), "a report is none"
    assert any(text.startswith("By hand, for each trial above, in this order: ") for text in texts(document))


# --------------------------------------------------------------------------------------------- runs that lack something


def test_a_run_without_a_trial_says_that_nothing_can_be_said(tmp_path: Path) -> None:
    document = run_document(of_run(source_of(kept(tmp_path)), state="running", trials=(), lost=()), "second")
    assert document.answer == "No trial has ended yet, so nothing can be said."
    assert document.mark == "open"
    assert document.warnings[0].startswith("The run goes on. Trials that have ended: 0 of 2.")
    trials = table(section(document, "trials"), "Trials")
    assert column(trials, "outcome") == ["not run yet", "not run yet"]
    assert not list(document.charts())


def test_a_run_in_progress_says_what_can_be_said_so_far(tmp_path: Path) -> None:
    store, _ = interrupted_run(tmp_path)
    document = run_document(of_run(source_of(store), state="out of time", why="it was to end by 06:30"), "second")
    assert document.answer.startswith("So far, after one of two trials: Take shape one (1 vCPU) for one thread.")
    assert document.mark == "open"
    assert document.warnings[0].startswith("The run is not complete (out of time: it was to end by 06:30).")
    assert "Go on with: trialbed resume 2026" in document.warnings[0]
    assert column(table(section(document, "trials"), "Trials"), "outcome") == ["measured", "not run"]


def test_a_crashed_run_warns_that_its_guests_may_be_as_it_left_them(tmp_path: Path) -> None:
    store, _ = interrupted_run(tmp_path)
    document = run_document(of_run(source_of(store), state="crashed"), "second")
    run = source_of(store).run.record.id
    assert document.warnings[1] == (
        f"Guests may not be as they were before it. To put them back only: trialbed restore {run}"
    )


def test_a_run_whose_trials_all_failed_tells_why_each_did(tmp_path: Path) -> None:
    store = kept(tmp_path, failed_record(FIRST), failed_record(SECOND, "the host ran out of memory"))
    document = run_document(source_of(store), "second")
    assert document.mark == "bad"
    assert [found.id for found in document.sections][:2] == ["remarks", "trials"]
    checks = next(block for block in section(document, "checks").blocks if isinstance(block, Checks))
    assert checks.items == (
        ("Trial 1", "bad", "failed in start: the guest did not answer within 2 min"),
        ("Trial 2", "bad", "failed in start: the host ran out of memory"),
    )
    assert section(document, "checks").summary == "two trials without a result"


def test_one_trial_gives_a_figure_and_no_interval(tmp_path: Path) -> None:
    document = run_document(source_of(kept(tmp_path, trial_record())), "second")
    cells = table(section(document, "throughput"), "Cells")
    assert column(cells, "throughput") == [2400.0]
    assert column(cells, "from") == [None]
    assert document.certainty == ""  # the answer says that one reading carries no uncertainty


def test_an_imported_run_has_readings_a_table_and_nothing_that_nobody_looked_at(tmp_path: Path) -> None:
    noted = summary().model_copy(
        update={"vcpus": (), "window": None, "vcpus_average": AverageShare(run=0.6, wait=0.1, idle=0.3), "checks": ()}
    )
    store = kept(tmp_path, trial_record(summary=noted), origin="imported", hypervisor="none")
    source = source_of(store)
    document = run_document(replace(source, inputs={"table.csv": b"shape,vcpus\none,1\n"}), "second")
    assert "The readings were imported, not measured here." in document.warnings
    assert section(document, "trials").title == "Readings in the order of the table"
    assert section(document, "trial-1").title.startswith("Reading 1: ")
    assert section(document, "trial-1").mark == "open"
    assert sentences(section(document, "environment")) == ["Not known: the readings were imported."]
    given = next(block for block in section(document, "plan").blocks if isinstance(block, Verbatim))
    assert given.text == "shape,vcpus\none,1\n"
    assert section(document, "repeat").title == "How to pass it on"


def test_guests_that_were_not_put_back_come_before_everything_else(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    left = NotBack(guest="bookings-1", reason="the host does not answer", by_hand=("virsh define guest.xml",))
    document = run_document(of_run(source_of(store), not_back=(left,), accepted=("another kernel",)), "second")
    run = source_of(store).run.record.id
    assert document.warnings == (
        f"NOT PUT BACK: guest bookings-1: the host does not answer. Once that is mended: trialbed restore {run}",
        "Guest bookings-1: process guest, not a VM.",
        "Changed while the run lay, and accepted: another kernel",
    )


def test_a_simulated_guest_is_called_one(tmp_path: Path) -> None:
    store = kept(tmp_path, trial_record(), guest_kind="simulated guest", hypervisor="simulated")
    document = run_document(source_of(store), "second")
    assert document.warnings == ("Guest bookings-1 is simulated: its figures come from a model, not from a machine.",)


def test_a_virtual_machine_needs_no_warning(tmp_path: Path) -> None:
    store = kept(tmp_path, trial_record(), guest_kind="virtual machine", hypervisor="libvirt")
    assert run_document(source_of(store), "second").warnings == ()


# -------------------------------------------------------------------------------------------- prices, templates, scans


def judged(root: Path, rates: Mapping[tuple[str, int], float], **plan: Any) -> RunSource:
    """A run of four blocks by another plan."""
    design = {**PLAN["design"], "blocks": 4}
    measured_run(root, "2026-08-02T10:00:00.000Z", rates, plan={**PLAN, "design": design, **plan})
    return source_of(FolderStore(root))


def test_a_price_is_told_by_cell_and_in_sentences(tmp_path: Path) -> None:
    price = {"vcpu": 0.02, "memory": 0.0, "unit": "EUR an hour"}
    source = judged(tmp_path, CELLS, decide={**PLAN["decide"], "price": price})
    found = section(run_document(source, "minute"), "price")
    assert found.title == "What the price buys, in EUR an hour"
    bought = table(found, "What the price buys")
    assert column(bought, "price") == [value.price for value in source.verdict.values]
    assert column(bought, "operations") == [value.per_cost * 60 for value in source.verdict.values]
    assert sentences(found) == [best.sentence for best in source.verdict.best_values]


def test_a_catalogue_of_templates_comes_first_and_recommends_nothing(tmp_path: Path) -> None:
    ladder = [
        {"name": "small", "shape": "one", "workload": "bookings", "threads": 1, "share_of_next": 0.9},
        {"name": "large", "shape": "two", "workload": "bookings", "threads": 2},
    ]
    document = run_document(judged(tmp_path, {("one", 1): 100.0, ("two", 2): 190.0}, templates=ladder), "second")
    first = document.sections[0]
    assert first.id == "templates"
    assert (first.mark, document.mark) == ("bad", "bad")
    found = table(first, "Templates")
    assert column(found, "template") == ["small", "large"]
    assert column(found, "rank") == ["", "kept"]
    assert column(found, "share") == ["lower", ""]
    assert column(found, "of the next")[0] == pytest.approx(100 / 190 * 100, rel=0.01)
    assert not any("recommended" in text for text in texts(document))


def test_growth_is_drawn_where_it_follows_a_law(tmp_path: Path) -> None:
    shapes = [{"name": f"s{n}", "vcpus": n, "memory": 2**30} for n in (1, 2, 4, 8)]
    rates = {(f"s{n}", n): 100.0 * n / (1 + 0.05 * (n - 1)) for n in (1, 2, 4, 8)}
    source = judged(tmp_path, rates, shapes=shapes)
    found = section(run_document(source, "second"), "scaling")
    assert isinstance(found.blocks[0], Chart)
    assert sentences(found) == [one.sentence for one in source.verdict.scaling]


def test_how_time_is_best_spent_is_told_in_sentences(store: FolderStore) -> None:
    use = TimeUse(
        workload="bookings",
        scatter=0.01,
        from_seconds=0.1,
        overhead_s=30.0,
        window_s=60.0,
        trials_now=6,
        minutes_now=20.0,
        window_best_s=60.0,
        trials_best=6,
        minutes_best=20.0,
        sentences=("Longer trials would hardly help.",),
    )
    document = run_document(replace(source_of(store), time=(use,)), "second")
    assert sentences(section(document, "time")) == ["Longer trials would hardly help."]


# --------------------------------------------------------------------------------------------------------- hostile text

HOSTILE = "<script>alert(1)</script>\x1b[31m\u202e"


def test_hostile_text_stays_text_and_gives_no_id(tmp_path: Path) -> None:
    store = kept(
        tmp_path,
        trial_record(seen_inside={"kernel": HOSTILE, HOSTILE: HOSTILE}, reason=HOSTILE),
        title=HOSTILE,
        guest=HOSTILE,
    )
    document = run_document(source_of(store), "second")
    assert document.title == HOSTILE  # whoever shows it escapes it
    for found in sections(document):
        assert found.id.replace("-", "").isalnum()
        assert found.id.isascii()
    for chart in document.charts():
        assert chart.id.replace("-", "").isalnum()


def test_workloads_whose_names_differ_in_signs_only_have_charts_of_their_own(tmp_path: Path) -> None:
    trials = (trial_record(workload="book ings"), trial_record(SECOND, workload="book-ings", summary=summary(2)))
    document = run_document(source_of(kept(tmp_path, *trials)), "second")
    charts = [chart.id for chart in document.charts()]
    assert len(charts) == len(set(charts)) > 1
