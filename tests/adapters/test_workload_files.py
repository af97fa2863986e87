"""The files of workloads: the built-in program, and the user's files beside the plan."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from orchestrator.adapters.workload_files import built_in, collect, with_digests
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.workload import MOST_FILE_BYTES
from orchestrator.errors import InputError


def plan(*workloads: dict[str, object]) -> Plan:
    declared = {
        "title": "t",
        "lab": "lab.yaml",
        "guest": "bookings-1",
        "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}],
        "workloads": list(workloads),
    }
    return Plan.model_validate(declared)


def command(name: str, *files: str) -> dict[str, object]:
    return {
        "name": name,
        "threads": [1],
        "command": ["./load.sh"],
        "files": list(files),
        "reader": {"json": {"value": "n"}},
    }


def test_the_built_in_workload_brings_its_program() -> None:
    found = collect(plan({"name": "bookings", "use": "bookings", "threads": [1, 2]}), Path("nowhere"))
    program = found["bookings"].files["bookings.py"]
    assert program == built_in("bookings.py")
    assert program.startswith(b"#!/usr/bin/env python3\n")
    assert found["bookings"].sha256 == {"bookings.py": hashlib.sha256(program).hexdigest()}


def test_files_beside_the_plan_are_read_byte_for_byte(tmp_path: Path) -> None:
    (tmp_path / "tools").mkdir()
    (tmp_path / "tools/load.sh").write_bytes(b"\x00\xff\r\n")
    (tmp_path / "rows.csv").write_bytes(b"")
    found = collect(plan(command("own", "tools/load.sh", "rows.csv"), command("bare")), tmp_path)
    assert found["own"].files == {"load.sh": b"\x00\xff\r\n", "rows.csv": b""}
    # SHA-256 of no bytes: FIPS 180-4, the published example value (from memory).
    assert found["own"].sha256["rows.csv"] == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert found["bare"].files == {}


def test_every_file_that_cannot_be_sent_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    for name in ("load.sh", "a/load.sh"):
        (tmp_path / name).write_bytes(b"x")
    with (tmp_path / "large").open("wb") as large:
        large.truncate(MOST_FILE_BYTES + 1)
    wrong = ("missing.sh", "a", "load.sh", "a/load.sh", "large")
    with pytest.raises(InputError) as caught:
        collect(plan(command("first"), command("own", *wrong)), tmp_path)
    told = {problem.field: problem.message for problem in caught.value.problems}
    assert list(told) == [f"workloads[1].files[{n}]" for n in (0, 1, 3, 4)]
    for message, words in zip(
        told.values(), ("No such file", "directory", "named 'load.sh', too", "at most 64 MiB"), strict=True
    ):
        assert words in message


def test_digests_of_files_that_were_kept() -> None:
    # SHA-256 of "abc": FIPS 180-4, the published example value (from memory).
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert with_digests({"f": b"abc"}).sha256 == {"f": abc}
