"""Runs set against each other for programs: a CSV table (RFC 4180) and JSON, read back by the standard library."""

from __future__ import annotations

import csv
import io
import json
import math

from comparison_values import BASE, NEW, SINGLE, SLOWER, compared

from orchestrator.adapters.report.compare_csv import comparisons_table
from orchestrator.adapters.report.compare_json import comparison_json, comparisons_json
from orchestrator.adapters.report.json_out import to_json
from orchestrator.adapters.report.tables import to_csv
from orchestrator.core.verdict.between_runs.results import RunsCompared


def test_the_table_has_a_row_for_each_cell_of_each_run_also_those_that_stand_alone() -> None:
    found = [compared(SLOWER, SINGLE), compared(SLOWER.model_copy(update={"remarks": ('says "no, wait"',)}), new="n2")]
    rows = list(csv.DictReader(io.StringIO(to_csv(comparisons_table(found)))))
    assert [(row["new_run"], row["cell"], row["verdict"], row["side"]) for row in rows] == [
        (NEW, "two-bookings-t1", "undecided", "both"),
        (NEW, "two-bookings-t2", "slower", "both"),
        (NEW, "eight-bookings-t8", "not compared", "base"),
        ("n2", "two-bookings-t2", "slower", "both"),
        ("n2", "eight-bookings-t8", "not compared", "base"),
    ]
    single, first, alone = rows[:3]
    assert first["base_runs"] == BASE
    assert math.isclose(float(first["ratio"]), 774.1 / 812.3)
    assert (float(first["base_per_s"]), float(first["low"])) == (812.3, 0.939)
    assert (single["low"], single["high"]) == ("", "")
    assert (alone["ratio"], alone["why"]) == ("", "the new run has no shape of 8 vCPUs")
    assert rows[3]["remarks"] == 'says "no, wait"'


def test_a_table_of_nothing_has_its_names() -> None:
    found = compared().model_copy(update={"changes": (), "unmatched": (), "overall": None})
    assert to_csv(comparisons_table([found])).startswith("new_run,base_runs,cell,")


def test_json_holds_the_comparison_whole() -> None:
    found = compared()
    value = json.loads(to_json(comparisons_json([found], ["a file is damaged"])))
    assert (value["schema_version"], value["problems"]) == (1, ["a file is damaged"])
    assert RunsCompared.model_validate(value["comparisons"][0]) == found
    assert comparison_json(found)["schema_version"] == 1
