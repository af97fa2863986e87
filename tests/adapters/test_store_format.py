"""The files of a run, read with other people's programs: coreutils, pandas, gzip, json."""

from __future__ import annotations

import gzip
import json
import re
import subprocess
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stored_runs import FIRST, INPUTS, SAVED, run_record, trial_data, trial_record, whole_run

from orchestrator.adapters.store.digests import read_sums, sums_text
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.layout import input_file, relative_file
from orchestrator.adapters.store.writing import trial_files


def files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_a_run_has_the_files_that_the_format_names(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    series = {f"trials/{FIRST}/{name}" for name in trial_files(trial_data())} | {f"trials/{FIRST}/trial.json"}
    expected = {
        "plan.yaml",
        "lab.yaml",
        "inputs/load/run.sh",
        "run.json",
        "environment.json",
        "journal.jsonl",
        "SHA256SUMS",
    }
    expected |= {"before/bookings-1/saved.json", "before/bookings-1/definition/guest.xml"} | series
    expected |= {name.replace(FIRST, "0002-two-bookings-t2-b1") for name in series}
    folder = Path(writer.location)
    assert files(folder) == expected
    assert (folder / "plan.yaml").read_bytes() == INPUTS["plan.yaml"]
    assert (folder / "inputs/load/run.sh").read_bytes() == INPUTS["load/run.sh"]
    assert (folder / "before/bookings-1/definition/guest.xml").read_bytes() == SAVED.files["guest.xml"]


def test_the_folder_is_named_by_time_title_and_chance(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    assert re.fullmatch(r"20260801T101112Z-how-many-vcpus-does-the-bookings-[0-9a-f]{4}", writer.id)
    assert json.loads((tmp_path / writer.id / "run.json").read_text())["id"] == writer.id


@pytest.mark.parametrize(
    ("title", "slug"),
    [("Größe der Fähre", "grosse-der-fahre|groe-der-fahre"), ("???", "run"), ("x" * 90, "x{40}"), ("../../etc", "etc")],
)
def test_any_title_gives_a_safe_name(tmp_path: Path, title: str, slug: str) -> None:
    writer = FolderStore(tmp_path).create(run_record(title=title), {})
    assert re.fullmatch(rf"20260801T101112Z-({slug})-[0-9a-f]{{4}}", writer.id)


def test_every_json_file_carries_its_schema_version(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    found = list(Path(writer.location).rglob("*.json"))
    assert len(found) == 5
    assert all(json.loads(path.read_text())["schema_version"] == 1 for path in found)


def test_sha256sum_of_coreutils_accepts_the_seal(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    check = ["sha256sum", "--check", "--strict", "SHA256SUMS"]
    done = subprocess.run(check, cwd=writer.location, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": OK") == len(files(Path(writer.location))) - 1
    (Path(writer.location) / "plan.yaml").write_bytes(b"title: another\n")
    done = subprocess.run(check, cwd=writer.location, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "plan.yaml: FAILED" in done.stdout


def test_odd_file_names_are_escaped_as_coreutils_does(tmp_path: Path) -> None:
    names = ["plain", "with space", "back\\slash", "new\nline", "a\rb"]
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    written = subprocess.run(
        ["sha256sum", *sorted(names)], cwd=tmp_path, capture_output=True, check=True
    ).stdout.decode()
    (tmp_path / "sums").write_bytes(written.encode())
    digests = read_sums(tmp_path / "sums")
    assert set(digests) == set(names)
    assert sums_text(digests) == written


def test_pandas_reads_the_series_as_they_are(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    folder = Path(writer.location, "trials", FIRST)
    host = pd.read_parquet(folder / "host.parquet")
    assert list(host.columns) == ["time_s", "uncertainty_s", "source_ns", "cpu.user_ticks", "load.1min"]
    assert host["load.1min"].isna().sum() == 1
    assert pd.isna(host["load.1min"][5])
    assert str(host["source_ns"].dtype) == "int64"
    throughput = pd.read_parquet(folder / "throughput.parquet")
    assert throughput["value"].diff().iloc[1:].eq(2400).all()


def test_the_log_is_plain_gzip_without_a_time(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    packed = Path(writer.location, "trials", FIRST, "workload.log.gz").read_bytes()
    assert gzip.decompress(packed) == b"a line\n"
    assert packed[4:8] == b"\0\0\0\0"  # MTIME of RFC 1952, section 2.3.1: no time stamp is available


def test_the_same_data_give_the_same_bytes() -> None:
    assert trial_files(trial_data()) == trial_files(trial_data())


def test_a_trial_names_the_digests_of_its_files(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    folder = Path(writer.location, "trials", FIRST)
    named = json.loads((folder / "trial.json").read_text())["files"]
    names = sorted(named)
    out = subprocess.run(["sha256sum", *names], cwd=folder, capture_output=True, text=True, check=True).stdout
    assert [line.split()[0] for line in out.splitlines()] == [named[name] for name in names]
    assert set(names) == files(folder) - {"trial.json"}


def test_what_the_disk_spoiled_before_the_seal_is_not_blessed_by_it(tmp_path: Path) -> None:
    store = FolderStore(tmp_path)
    writer = store.create(run_record(), INPUTS)
    writer.keep_trial(trial_record(), trial_data())
    Path(writer.location, "trials", FIRST, "host.parquet").write_bytes(b"spoiled")
    writer.seal()
    found = store.verify("last").findings
    assert [(finding.path, finding.what[:35]) for finding in found] == [
        (f"trials/{FIRST}/host.parquet", "was changed after it was written, a")
    ]


def test_writing_after_the_seal_breaks_it(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    writer.keep_trial(trial_record(), trial_data())
    assert not Path(writer.location, "SHA256SUMS").exists()
    writer.seal()
    assert store.verify("last").findings == ()


def test_a_guests_definition_is_for_its_owner_only(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    kept = Path(writer.location, "before", "bookings-1")
    assert kept.stat().st_mode & 0o077 == 0
    assert (kept / "definition/guest.xml").stat().st_mode & 0o077 == 0


@given(st.text(min_size=1, max_size=60))
def test_no_name_of_an_input_points_out_of_its_folder(name: str) -> None:
    try:
        name.encode()
    except UnicodeEncodeError:
        return
    parts = Path(relative_file(name)).parts
    assert ".." not in parts
    assert not Path(relative_file(name)).is_absolute()
    assert "\0" not in relative_file(name)


@pytest.mark.parametrize(
    "name", ["../lab.yaml", "/etc/passwd", "a/../b", "./x", "a//b", "x\ny", "naïve.sh", "a%2Fb", ".hidden"]
)
def test_inputs_with_odd_names_come_back_under_them(tmp_path: Path, name: str) -> None:
    store = FolderStore(tmp_path / "results")
    writer = store.create(run_record(), {"plan.yaml": b"p", name: b"content"})
    assert (Path(writer.location) / input_file(name)).is_file()
    assert {path.name for path in tmp_path.iterdir()} == {"results"}
    assert store.reopen(writer.id)[2] == {"plan.yaml": b"p", name: b"content"}
