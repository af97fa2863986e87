"""The command where files are odd, damaged or endless, and where nobody knows how wide the page is."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from stored_runs import FIRST, whole_run

from orchestrator.cli import invoke


def message(capsys: pytest.CaptureFixture[str]) -> str:
    """What was said; nothing was printed as a result."""
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("trialbed: ")
    return printed.err


@pytest.mark.parametrize("command", ["read", "judge"])
@pytest.mark.parametrize("name", ["missing.csv", "."])
def test_readings_that_cannot_be_read_are_named(
    command: str, name: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert invoke([command, name]) == 2
    assert f"{name}: cannot be read" in message(capsys)


def test_a_file_without_end_is_refused(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("orchestrator.adapters.readings.files.MOST_BYTES", 2**20)
    assert invoke(["read", "/dev/zero"]) == 2
    assert "/dev/zero: is larger than 1 MiB" in message(capsys)


def test_figures_too_large_to_average_are_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    series = tmp_path / "series.csv"
    series.write_text("1e308\n-1e308\n" * 20)
    assert invoke(["read", str(series)]) == 2
    assert "'1e308' is too large" in message(capsys)


def test_a_trial_that_is_damaged_is_not_called_outstanding(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    whole_run(tmp_path)
    (record,) = tmp_path.glob(f"*/trials/{FIRST}/trial.json")
    record.write_bytes(record.read_bytes()[:50])
    for trial in ("1", FIRST):
        assert invoke(["show", "last", trial, "--store", str(tmp_path)]) == 2
        told = message(capsys)
        assert "damaged or cut short" in told
        assert "resume" not in told


def test_a_run_is_shown_without_its_environment_where_that_is_damaged(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    whole_run(tmp_path)
    (environment,) = tmp_path.glob("*/environment.json")
    environment.write_text("{")
    assert invoke(["show", "last", "--store", str(tmp_path)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "Verdict" in text
    assert "environment.json:damagedorcutshort" in text.replace(" ", ""), "a long path is folded anywhere"


def test_a_page_is_as_wide_as_columns_says(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_run(tmp_path)
    capsys.readouterr()
    monkeypatch.setenv("COLUMNS", "80")
    assert invoke(["show", "last", "--store", str(tmp_path)]) == 0
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 80


def test_a_full_disk_under_the_output_is_told_in_one_line() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "orchestrator", "schema", "plan"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.stderr == "trialbed: the output cannot be written: No space left on device\n"
    assert done.returncode == 2


def test_a_reader_that_leaves_early_does_not_change_the_exit_status(tmp_path: Path) -> None:
    """What a guard found is not lost in ``trialbed guard ... | head`` under ``set -o pipefail``."""
    whole_run(tmp_path)
    for arguments, expected in (("show last", 0), ("show last --json", 0), ("show none", 2)):
        reader, writer = os.pipe()
        os.close(reader)
        command = [sys.executable, "-m", "orchestrator", *arguments.split(), "--store", str(tmp_path)]
        done = subprocess.run(command, stdout=writer, stderr=writer, check=False)
        os.close(writer)
        assert done.returncode == expected


def test_closed_standard_streams_are_no_defect(tmp_path: Path) -> None:
    whole_run(tmp_path)
    command = f"{sys.executable} -m orchestrator show last --store {tmp_path}"
    for closed, expected in ((">&-", 0), ("2>&- >&-", 0), ("<&-", 0)):
        done = subprocess.run(["sh", "-c", f"{command} {closed}"], capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (expected, "")


def test_a_trial_is_shown_in_the_period_that_was_asked_for(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    whole_run(tmp_path)
    for options, heading in (([], "Throughput, per second"), (["--per", "hour"], "Throughput, per hour")):
        assert invoke(["show", "last", "1", "--store", str(tmp_path), *options]) == 0
        assert heading in capsys.readouterr().out
