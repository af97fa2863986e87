"""What a report says of each trial: what became of it, its figures as they are stored, and whether to believe it."""

from __future__ import annotations

from pathlib import Path

import pytest
from report_sources import column, kept, section, sentences, source_of, table
from stored_runs import FIRST, SECOND, failed_record, summary, trial_record, whole_run

from orchestrator.adapters.report.content.run import run_document
from orchestrator.adapters.report.document.parts import Chart, Checks, Document, Facts, Section
from orchestrator.core.measure.results import Interval
from orchestrator.core.record.run import StoredRun

UNSTEADY = summary(2).model_copy(
    update={"steady": False, "window": None, "throughput": None, "kind": "drift", "vcpus": (), "checks": ()}
)


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> tuple[StoredRun, Document]:
    """A trial that was measured, with its series, and one that failed; rates a minute."""
    store, _ = whole_run(tmp_path_factory.mktemp("store"))
    source = source_of(store)
    return source.run, run_document(source, "minute")


def test_each_trial_has_a_folded_part_with_a_mark_and_what_became_of_it(stored: tuple[StoredRun, Document]) -> None:
    parts = section(stored[1], "trials").parts
    assert [(part.id, part.title, part.folded) for part in parts] == [
        ("trial-1", "Trial 1: shape one, one thread, block 1", True),
        ("trial-2", "Trial 2: shape two, two threads, block 1", True),
    ]
    assert [(part.mark, part.summary) for part in parts] == [
        ("doubt", "measured, 144000 ± 1400 per minute; look at: other load"),
        ("bad", "failed in start: the guest did not answer within 2 min"),
    ]


def test_the_table_of_trials_has_the_figures_that_the_store_has(stored: tuple[StoredRun, Document]) -> None:
    run, document = stored
    found = table(section(document, "trials"), "Trials")
    means = [trial.summary.throughput if trial.summary else None for trial in run.trials]
    assert column(found, "throughput") == [None if mean is None else mean.mean * 60 for mean in means]
    assert column(found, "from") == [None if mean is None or mean.low is None else mean.low * 60 for mean in means]
    assert column(found, "steady from") == [12.0, None]
    assert column(found, "CPU an operation") == [pytest.approx(0.4), None]
    assert {one.unit for one in found.columns if one.name == "CPU an operation"} == {"ms"}
    assert column(found, "flags") == ["other load", ""]


def test_a_measured_trial_tells_its_chart_figures_checks_stages_and_clocks(stored: tuple[StoredRun, Document]) -> None:
    found = section(stored[1], "trial-1")
    assert [block.id for block in found.blocks if isinstance(block, Chart)] == ["trial-1"]
    assert sentences(found)[0] == "144000 ± 1400 per minute over 12 to 80 s since launch, from 38 effective samples."
    vcpus = table(found, "Trial 1: vCPUs while steady")
    assert [column(vcpus, name) for name in ("run", "wait", "idle")] == [[98.0], [0.3], [pytest.approx(1.7)]]
    (checks,) = (block for block in found.blocks if isinstance(block, Checks))
    assert [(name, mark) for name, mark, _ in checks.items] == [
        ("shape", "good"),
        ("other load", "doubt"),
        ("frequency", "open"),
    ]
    assert column(table(found, "Trial 1: stages"), "time") == [12.2]
    clocks = table(found, "Trial 1: clocks")
    assert column(clocks, "ahead of the controller's") == [-12.000123]
    assert column(clocks, "known within") == [pytest.approx(120.0)]


def test_what_is_not_known_is_unavailable_and_never_zero(stored: tuple[StoredRun, Document]) -> None:
    told = facts(section(stored[1], "trial-1"))
    assert told["steal seen by the guest"] == "unavailable"
    assert told["host busy"] == "50.0 % of all its CPUs"


def test_a_failed_trial_tells_where_and_whose_fault_and_has_no_chart(stored: tuple[StoredRun, Document]) -> None:
    found = section(stored[1], "trial-2")
    assert facts(found)["outcome"] == "failed: the guest did not answer within 2 min"
    assert facts(found)["failed"] == "in stage start; at fault is the guest"
    assert not list(found.charts())


def facts(found: Section) -> dict[str, str]:
    return {name: told for block in found.blocks if isinstance(block, Facts) for name, told in block.pairs}


def test_an_unsteady_trial_says_why(tmp_path: Path) -> None:
    drifting = trial_record(SECOND, outcome="unsteady", reason="not steady: throughput drifts", summary=UNSTEADY)
    document = run_document(source_of(kept(tmp_path, trial_record(), drifting)), "second")
    found = section(document, "trial-2")
    assert (found.mark, found.summary) == ("doubt", "unsteady: throughput drifts")
    assert facts(found)["outcome"] == "unsteady (drift): not steady: throughput drifts"


def test_a_long_reason_is_cut_beside_the_heading_only(tmp_path: Path) -> None:
    reason = "it said so: " + "again and " * 40
    store = kept(tmp_path, trial_record(), failed_record(SECOND, reason))
    found = section(run_document(source_of(store), "second"), "trial-2")
    assert len(found.summary) <= 160
    assert facts(found)["outcome"] == f"failed: {reason}"


def test_a_trial_without_an_interval_says_so(tmp_path: Path) -> None:
    alone = summary().model_copy(update={"throughput": Interval(mean=2400.0, low=None, high=None)})
    document = run_document(source_of(kept(tmp_path, trial_record(FIRST, summary=alone))), "second")
    assert section(document, "trial-1").summary.startswith("measured, 2400 a second, without an interval")


def test_a_hundred_trials_have_a_hundred_parts(tmp_path: Path) -> None:
    trials = [
        trial_record(FIRST, id=f"{number:04}-one-bookings-t1-b{number}", number=number, block=number)
        for number in range(1, 101)
    ]
    document = run_document(source_of(kept(tmp_path, *trials)), "second")
    parts = section(document, "trials").parts
    assert [part.id for part in parts] == [f"trial-{number}" for number in range(1, 101)]
    assert len(table(section(document, "trials"), "Trials").rows) == 100
