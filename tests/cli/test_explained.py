"""``--explain`` and prices on the command line: what a person and a program are told, and what is refused."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from orchestrator.cli import invoke
from orchestrator.testing.series import known

TABLE = """\
shape,vcpus,memory,threads,block,throughput,run,wait,idle
one,1,1 GiB,1,1,2400,62,10,28
one,1,1 GiB,1,2,2430,62,10,28
one,1,1 GiB,1,3,2390,62,10,28
two,2,2 GiB,1,1,2470,31,10,59
two,2,2 GiB,1,2,2510,31,10,59
two,2,2 GiB,1,3,2440,31,10,59
one,1,1 GiB,2,1,2400,62,10,28
one,1,1 GiB,2,2,2430,62,10,28
one,1,1 GiB,2,3,2390,62,10,28
two,2,2 GiB,2,1,4470,91,5,4
two,2,2 GiB,2,2,4510,91,5,4
two,2,2 GiB,2,3,4440,91,5,4
"""
SOURCE = re.compile(r"\b(1[89]|20)\d\d\b|ch\. \d|common practice")


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "table.csv").write_text(TABLE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def flat(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def steps(capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """The explanation of what was printed as JSON; each step has a source with a year, or says that it has none."""
    told = json.loads(capsys.readouterr().out)["explanation"]
    assert told
    assert all(SOURCE.search(step["source"]) for step in told)
    return {step["step"]: step["what"] for step in told}


def test_judge_explains_its_steps_after_the_answer(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["judge", "table.csv", "--explain"]) == 0
    text = flat(capsys)
    assert text.index("Take shape") < text.index("How this was reached") < text.index("1. trials: twelve trials")
    assert invoke(["judge", "table.csv"]) == 0
    assert "How this was reached" not in flat(capsys)
    assert invoke(["judge", "table.csv", "--json"]) == 0
    assert "explanation" not in json.loads(capsys.readouterr().out)


def test_the_explanation_tells_blocks_from_none(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["judge", "table.csv", "--explain", "--json"]) == 0
    blocked = steps(capsys)
    assert "three blocks" in blocked["trials"]
    assert "block by block" in blocked["comparing shapes"]
    assert "degrees of freedom" in blocked["scatter"]
    rows = [line.split(",") for line in TABLE.splitlines()]
    (place / "alone.csv").write_text("\n".join(",".join(row[:4] + row[5:]) for row in rows))
    assert invoke(["judge", "alone.csv", "--explain", "--json"]) == 0
    alone = steps(capsys)
    assert "no blocks" in alone["scatter"]
    assert "Welch" in alone["comparing shapes"]


def test_one_reading_a_cell_is_explained_as_that(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "one.csv").write_text("\n".join(TABLE.splitlines()[i] for i in (0, 1, 4, 7, 10)))
    assert invoke(["judge", "one.csv", "--explain", "--json"]) == 0
    found = steps(capsys)
    assert "no interval can be given" in found["scatter"]
    assert "comparing shapes" not in found
    assert "on figures without an interval" in found["choosing"]


def test_a_scan_over_threads_names_the_law_and_its_source(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Throughput by the law of Amdahl 1967 with a serial share of 10 %, and a little scatter."""
    rows = [
        f"eight,8,{n},{block},{1000 * n / (1 + 0.1 * (n - 1)) * (1 + 0.002 * ((3 * n + 5 * block) % 5 - 2)):.2f}"
        for block in (1, 2, 3)
        for n in (1, 2, 3, 4, 6, 8)
    ]
    (place / "scan.csv").write_text("\n".join(["shape,vcpus,threads,block,throughput", *rows]))
    assert invoke(["judge", "scan.csv", "--explain", "--json"]) == 0
    found = steps(capsys)["growth over threads"]
    assert "six points of shape eight, 1 to 8 threads" in found
    assert found.endswith("the simplest that the points do not contradict: Amdahl's law")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--price-vcpu", "0.021", "--price-memory", "0.003", "--price-unit", "EUR an hour"], "EUR an hour"),
        (["--price-vcpu", "2"], "units of cost"),
    ],
)
def test_prices_add_operations_per_unit_of_cost(
    options: list[str], says: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["judge", "table.csv", *options]) == 0
    text = flat(capsys)
    assert "gives the most for its price" in text
    assert says in text
    assert invoke(["judge", "table.csv"]) == 0
    assert "price" not in flat(capsys)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--price-vcpu", "-1"], "--price-vcpu"),
        (["--price-memory", "cheap"], "--price-memory"),
        (["--price-vcpu", "nan"], "'nan' is not a number"),
        (["--margin", "nan"], "'nan' is not a number"),
        (["--price-unit", "EUR"], "--price-unit needs --price-vcpu or --price-memory"),
        (["--price-vcpu", "1", "--price-unit", "E\nR"], "one line"),
    ],
)
def test_prices_that_are_none_are_refused_in_a_sentence(
    options: list[str], says: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["judge", "table.csv", *options]) == 2
    errors = capsys.readouterr().err
    assert says in errors
    assert "Traceback" not in errors


def test_memory_with_a_price_and_no_size_is_told(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = [line.split(",") for line in TABLE.splitlines()]
    (place / "bare.csv").write_text("\n".join(",".join(row[:2] + row[3:]) for row in rows))
    assert invoke(["judge", "bare.csv", "--price-memory", "0.003"]) == 0
    assert "No cell has a known price: memory has a price and its size was not noted" in flat(capsys)


def test_read_explains_each_log(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = place / "log.csv"
    log.write_text("\n".join(f"{value:.2f}" for value in known("T1")))
    assert invoke(["read", "log.csv", "--explain"]) == 0
    text = flat(capsys)
    assert text.index("Steady from") < text.index("How this was reached")
    assert invoke(["read", "log.csv", "--explain", "--json"]) == 0
    assert "variance of the mean" in steps(capsys)


def test_an_explanation_is_no_table(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["show", "last", "--csv", "--explain"]) == 2
    assert "--explain and --csv exclude each other" in capsys.readouterr().err
