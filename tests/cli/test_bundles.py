"""pack, open and unpack as a person or a program uses them, on a run of the simulated lab."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import zipfile
from pathlib import Path

import pytest
from bundle_parts import archive, bagged, parts

from orchestrator.cli import invoke

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: timetable-9
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2]}
design: {blocks: 3, seed: 7}
measure:
  every: 2 s
  warm-up: {at-least: 20 s, at-most: 1 min}
  steady: {at-least: 30 s, at-most: 30 s}
"""
LAB = """
hosts:
  quay-7: {hypervisor: simulated, with: {seed: 1}}
guests:
  timetable-9: {host: quay-7, domain: ferry-db, may-power-cycle: true}
"""


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a run of the simulated lab in its store."""
    folder = tmp_path_factory.mktemp("measured")
    (folder / "plan.yaml").write_text(PLAN)
    (folder / "lab.yaml").write_text(LAB)
    assert invoke(["run", str(folder / "plan.yaml"), "--store", str(folder / "results")]) == 0
    return folder


@pytest.fixture
def place(measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working directory with a copy of that store."""
    shutil.copytree(measured / "results", tmp_path / "results")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def there(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def lines(text: str, *, after: str) -> list[str]:
    return text.partition(after)[2].splitlines()


def test_a_run_goes_from_one_machine_to_another_in_one_file(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["show", "last"]) == 0
    shown = capsys.readouterr().out
    assert invoke(["pack", "last", "-o", "ferry.zip"]) == 0
    told = capsys.readouterr()
    assert "packed into ferry.zip" in told.out
    assert "before (how the guests were defined before the run)" in " ".join(told.out.split())
    assert "look at it with: trialbed open ferry.zip" in told.out
    shutil.rmtree(place / "results")

    assert invoke(["open", "ferry.zip"]) == 0
    looked_at = capsys.readouterr().out
    assert "every digest was checked, and nothing is wrong" in looked_at
    assert "kept in ferry.zip" in looked_at
    assert lines(looked_at, after="What was asked") == lines(shown, after="What was asked")
    assert there(place) == {"ferry.zip"}  # looking leaves nothing

    assert invoke(["unpack", "ferry.zip", "--store", "theirs"]) == 0
    assert "look at it with: trialbed show" in (said := capsys.readouterr().out)
    assert said.rstrip().endswith("--store theirs")
    assert invoke(["unpack", "ferry.zip", "--store", "theirs"]) == 0
    assert "was there already, with the same bytes" in " ".join(capsys.readouterr().out.split())
    for command in (["show", "last"], ["verify", "last"], ["list"]):
        assert invoke([*command, "--store", "theirs"]) == 0
        answer = capsys.readouterr()
        assert answer.err == ""
        if command[0] == "show":
            assert lines(answer.out, after="What was asked") == lines(shown, after="What was asked")
            assert "Look at\n" not in answer.out


def test_open_tells_which_programs_a_repetition_would_run(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They are the bundle's own copies, also of what everybody has."""
    invoke(["pack", "last", "-o", "ferry.zip"])
    files, told = parts(place / "ferry.zip"), []
    run = json.loads(files["data/run/run.json"])["id"]
    name = "data/run/inputs/bookings/bookings.py"
    other = files[name] + b"# and more\n"
    old, new = (hashlib.sha256(content).hexdigest().encode() for content in (files[name], other))
    changed = {path: content.replace(old, new) for path, content in files.items()} | {name: other}
    (place / "other.zip").write_bytes(archive(bagged(changed), run))
    capsys.readouterr()
    for bundle in ("ferry.zip", "other.zip"):
        assert invoke(["open", bundle]) == 0
        told.append(" ".join(capsys.readouterr().out.split()))
    ours, theirs = told
    assert "for workload bookings: the built-in load bookings, as this version of trialbed has it" in ours
    assert "the built-in load bookings, NOT as this version of trialbed has it; files: bookings.py" in theirs


def test_programs_are_told_the_same_as_people(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["pack", "last", "--json"]) == 0
    packed = json.loads(capsys.readouterr().out)
    name = f"{packed['run']}.zip"
    assert there(place) == {"results", name}
    assert packed["bundle"]["path"] == name
    assert packed["state"] == "done"
    assert invoke(["open", name, "--json"]) == 0
    looked_at = json.loads(capsys.readouterr().out)
    assert looked_at["bundle"] == packed["bundle"]
    assert (looked_at["run"]["id"], looked_at["location"]) == (packed["run"], name)
    assert looked_at["verdict"]["recommendations"]
    assert looked_at["problems"] == []
    assert invoke(["unpack", name, "--json"]) == 0
    unpacked = json.loads(capsys.readouterr().out)
    assert (unpacked["copied"], unpacked["run"], unpacked["bundle"]) == (False, packed["run"], packed["bundle"])


def test_a_run_for_strangers_shows_the_same_figures_and_other_names(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["show", "last", "--json"]) == 0
    own = json.loads(capsys.readouterr().out)
    assert invoke(["pack", "last", "--anonymise", "-o", "strangers.zip"]) == 0
    assert "look before you hand it on" in " ".join(capsys.readouterr().out.split())
    with zipfile.ZipFile("strangers.zip") as archive:
        texts = [archive.read(name) for name in archive.namelist()] + [" ".join(archive.namelist()).encode()]
    assert not [text for text in texts for name in (b"quay-7", b"ferry-db", b"timetable-9") if name in text]
    shutil.rmtree("results")
    assert invoke(["unpack", "strangers.zip"]) == 0
    assert invoke(["verify", "last"]) == 0
    capsys.readouterr()
    assert invoke(["show", "last", "--json"]) == 0
    theirs = json.loads(capsys.readouterr().out)
    assert theirs["run"]["guest"] == "guest-1"
    assert theirs["verdict"]["cells"] == own["verdict"]["cells"]
    assert theirs["verdict"]["recommendations"] == own["verdict"]["recommendations"]
    assert theirs["problems"] == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["pack", "nonesuch"], "no run in results begins with 'nonesuch'"),
        (["pack", "last", "-o", "none/ferry.zip"], "none/ferry.zip: there is no folder none; make it first"),
        (["pack", "last", "-o", "-"], "--output: '-' is no file; an archive is read back"),
        (["open", "nonesuch.zip"], "nonesuch.zip: cannot be read (No such file or directory); check the path"),
        (["open", "results"], "results: is a folder; give the archive that trialbed pack made"),
        (["unpack", "plan.yaml"], "plan.yaml: is no zip archive that can be read"),
    ],
)
def test_what_is_wrong_is_one_line(
    arguments: list[str], says: str, place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "plan.yaml").write_text(PLAN)
    assert invoke(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"trialbed: {says}")
    assert told.err.count("\n") == 1
    assert there(place) == {"plan.yaml", "results"}


def test_a_device_or_pipe_is_never_written_over(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(place / "pipe")
    assert invoke(["pack", "last", "-o", "pipe", "--replace"]) == 2
    assert capsys.readouterr().err == "trialbed: pipe: is no plain file; give another name with --output\n"
    assert (place / "pipe").is_fifo()


def test_a_full_disk_is_told_of_the_store_that_is_unpacked_into(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(source: Path, target: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(source), None, str(target))

    assert invoke(["pack", "last", "-o", "ferry.zip"]) == 0
    capsys.readouterr()
    monkeypatch.setattr("orchestrator.adapters.store.adopting.shutil.copyfile", full)
    assert invoke(["unpack", "ferry.zip", "--store", "elsewhere"]) == 2
    assert capsys.readouterr().err.startswith("trialbed: cannot write elsewhere/2")
    assert there(place / "elsewhere") == set()
