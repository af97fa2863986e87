"""The disk refuses in the middle of a night: what is finished stays, the guest is put back, and the run can go on.

Each is a whole run on the simulated lab through the command, with a store on a real small disk that is really full (a
tmpfs, mounted by root as in CI; elsewhere a limit of the process on the size of files refuses the same writes).
"""

from __future__ import annotations

import contextlib
import errno
import gc
import itertools
import json
import os
import resource
import shutil
import subprocess
import tempfile
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pytest_mock import MockerFixture

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.cli import invoke
from orchestrator.core.record.journal import progress
from orchestrator.hypervisors.simulated.hypervisor import SimulatedHypervisor

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [2]}
design: {blocks: 2, seed: 7}
measure:
  every: 2 s
  warm-up: {at-least: 10 s, at-most: 1 min}
  steady: {at-least: 20 s, at-most: 20 s}
"""
LAB = """
hosts:
  model: {hypervisor: simulated, with: {seed: 1}}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""
TRIALS = 4
PAGE = 4096  # a tmpfs gives room by the page; within one that is begun, even a full disk takes more


class Disk:
    """A disk that can be filled to the last byte, and emptied again."""

    def __init__(self, path: Path, *, mounted: bool) -> None:
        self.path, self._mounted = path, mounted
        self._limits = resource.getrlimit(resource.RLIMIT_FSIZE)

    @property
    def store(self) -> str:
        return str(self.path / "results")

    def fill(self) -> None:
        if not self._mounted:
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, self._limits[1]))
            return
        full = os.strerror(errno.ENOSPC)
        with (self.path / "ballast").open("wb", buffering=0) as ballast, pytest.raises(OSError, match=full):
            deque((ballast.write(b"x" * PAGE) for _ in itertools.count()), maxlen=0)

    def free(self) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, self._limits)
        (self.path / "ballast").unlink(missing_ok=True)


def mount(path: Path, options: str) -> bool:
    """Mount a small file system; only root may."""
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(path)]
    return os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0


def write(folder: Path) -> None:
    """Plan and lab."""
    (folder / "plan.yaml").write_text(PLAN)
    (folder / "lab.yaml").write_text(LAB)


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Disk]:
    place = tmp_path / "disk"
    place.mkdir()
    write(tmp_path)
    monkeypatch.chdir(tmp_path)
    mounted = mount(place, "size=1m")
    small = Disk(place, mounted=mounted)
    yield small
    small.free()
    if mounted:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def before(mocker: MockerFixture, method: str, due: Callable[..., bool], act: Callable[[], object]) -> None:
    """Do something once, right before a write of the store that is due."""
    original, done = getattr(FolderWriter, method), []

    def watched(self: FolderWriter, *given: Any) -> Any:
        if not done and due(self, *given):
            done.append(True)
            act()
        return original(self, *given)

    mocker.patch.object(FolderWriter, method, watched)


def trials_kept(writer: FolderWriter) -> int:
    return len(list(Path(writer.location, "trials").glob("[0-9]*")))


def needs_a_page(writer: FolderWriter, event: Any) -> bool:
    """Whether this line of the journal, after the first trial, goes beyond what the disk has given it already."""
    size, line = Path(writer.location, "journal.jsonl").stat().st_size, len(event.model_dump_json()) + 1
    return trials_kept(writer) >= 1 and size // PAGE != (size + line) // PAGE


def run(disk: Disk, *more: str) -> int:
    return invoke(["run", "plan.yaml", "--quiet", "--store", disk.store, *more])


def outcomes(store: str) -> list[tuple[str, str, object]]:
    """What came of each trial: the same whether a run was broken off or not, but for the rounding of clocks."""
    trials = FolderStore(Path(store)).find("last").trials
    return [
        (t.id, t.outcome, f"{t.summary.throughput.mean:.9g}" if t.summary and t.summary.throughput else None)
        for t in trials
    ]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, object]]:
    """What comes of each trial where there is room."""
    folder = tmp_path_factory.mktemp("undisturbed")
    write(folder)
    with contextlib.chdir(folder):
        assert run(Disk(folder, mounted=False)) in {0, 1}
    return outcomes(str(folder / "results"))


MOMENTS: dict[str, tuple[str, Callable[..., bool], int]] = {
    "journal": ("append", needs_a_page, 1),
    "trial": ("keep_trial", lambda writer, *_: trials_kept(writer) == 2, 2),
    "first trial": ("keep_trial", lambda *_: True, 0),
    "fingerprint": ("keep_environment", lambda *_: True, 0),
    "seal": ("seal", lambda *_: True, TRIALS),
}


@pytest.mark.real
@pytest.mark.parametrize("moment", MOMENTS)
def test_a_disk_that_is_full_costs_the_trial_in_hand_and_nothing_else(
    moment: str,
    undisturbed: list[tuple[str, str, object]],
    disk: Disk,
    mocker: MockerFixture,
    capsys: pytest.CaptureFixture[str],
) -> None:
    method, due, kept = MOMENTS[moment]
    restored = mocker.spy(SimulatedHypervisor, "restore")
    before(mocker, method, due, disk.fill)
    assert run(disk) == 2
    told = capsys.readouterr().err
    assert "trialbed: cannot write " in told
    assert "the disk is full; free some space there" in told or "ulimit" in told
    assert "Traceback" not in told
    assert restored.call_count == 1, "the guest is put back though the journal cannot say so"
    assert restored.spy_exception is None

    disk.free()
    store = FolderStore(Path(disk.store))
    stored = store.find("last")
    assert kept <= len(stored.trials) <= kept + (moment == "journal")
    assert stored.lost == ()
    finished = outcomes(disk.store)
    if moment == "seal":
        assert invoke(["resume", "last", "--store", disk.store]) == 2
        assert "nothing left to resume" in capsys.readouterr().err
    else:
        if store.find("last").state == "interrupted":
            assert store.find("last").why.startswith("cannot write "), "what ended the run is told in the morning, too"
        assert invoke(["resume", "last", "--quiet", "--store", disk.store]) in {0, 1}
    assert store.verify("last").findings == (), "the run is whole and sealed"
    assert outcomes(disk.store)[: len(finished)] == finished, "what had ended was not run again"
    assert len(finished) <= TRIALS == len(outcomes(disk.store))
    where = progress(store.journal(store.find("last")))
    assert (where.state, where.in_hand, where.guest_is_back) == ("done", None, True)
    if moment == "trial":
        apart = store.find("last").discarded
        assert [found.trial[:4] for found in apart] == ["0003"], "what it had measured is kept apart"
        assert Path(stored.location, apart[0].folder, "vcpu.jsonl").stat().st_size > 0
    assert outcomes(disk.store) == undisturbed, "the same as without the fault"


@pytest.mark.real
def test_a_disk_that_is_full_for_what_comes_in_costs_no_trial(
    disk: Disk, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    tell: list[str] = []
    original = FolderWriter.draft

    def draft(self: FolderWriter, trial: str, told: Callable[[str], None]) -> Any:
        def heard(text: str) -> None:
            tell.append(text)
            disk.free()
            told(text)

        made = original(self, trial, heard)
        if trial.startswith("0002"):
            disk.fill()
        return made

    mocker.patch.object(FolderWriter, "draft", draft)
    assert run(disk) in {0, 1}
    assert len(tell) == 1, "told once, and of one trial"
    assert "the trial goes on" in tell[0]
    assert "cannot be kept as it comes" in capsys.readouterr().err
    store = FolderStore(Path(disk.store))
    assert len(outcomes(disk.store)) == TRIALS
    assert store.find("last").discarded == ()
    assert store.verify("last").findings == ()


@pytest.mark.real
def test_a_store_that_is_read_only_is_told_before_anything_is_touched(
    disk: Disk, tmp_path: Path, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    reshaped = mocker.spy(SimulatedHypervisor, "reshape")
    place = tmp_path / "read-only"
    place.mkdir()
    if mount(place, "ro"):
        try:
            assert invoke(["run", "plan.yaml", "--quiet", "--store", str(place / "results")]) == 2
        finally:
            subprocess.run(["umount", "--lazy", str(place)], check=True)
        assert "the file system is read-only; mount it writable or choose another" in capsys.readouterr().err
    else:
        place.chmod(0o555)
        assert invoke(["run", "plan.yaml", "--quiet", "--store", str(place / "results")]) == 2
        assert "permission is denied" in capsys.readouterr().err
    assert reshaped.call_count == 0


@pytest.mark.real
def test_a_run_on_a_read_only_disk_can_be_listed_shown_and_checked_and_not_resumed(
    disk: Disk, tmp_path: Path, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    before(mocker, "keep_trial", lambda writer, *_: trials_kept(writer) == 1, disk.fill)
    assert run(disk) == 2
    disk.free()
    gc.collect()  # as the end of the command's process does: a disk on which a file is open cannot become read-only
    if os.geteuid() == 0:
        subprocess.run(["mount", "-o", "remount,ro", str(disk.path)], check=True)
    else:
        for path in (Path(disk.store), *Path(disk.store).rglob("*")):
            path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        for command in (["list"], ["show", "last"], ["show", "last", "1"], ["verify", "last"]):
            assert invoke([*command, "--store", disk.store]) == 0, command
        capsys.readouterr()
        reshaped = mocker.spy(SimulatedHypervisor, "reshape")
        assert invoke(["resume", "last", "--store", disk.store]) == 2
        assert "read-only" in (told := capsys.readouterr().err) or "permission is denied" in told
        assert reshaped.call_count == 0
    finally:
        if os.geteuid() == 0:
            subprocess.run(["mount", "-o", "remount,rw", str(disk.path)], check=True)


@pytest.mark.real
@pytest.mark.parametrize("gone", ["run", "store"])
def test_a_store_that_vanishes_in_the_middle_is_told_and_the_run_goes_on_once_it_is_there_again(
    gone: str, disk: Disk, tmp_path: Path, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    restored, away = mocker.spy(SimulatedHypervisor, "restore"), tmp_path / "away"

    def vanish() -> None:
        store = Path(disk.store)
        if gone == "store":
            store.rename(disk.path / "away")
        else:
            next(store.iterdir()).rename(disk.path / "away")

    before(mocker, "append", lambda writer, *_: trials_kept(writer) == 2, vanish)
    assert run(disk) == 2
    told = capsys.readouterr().err
    assert "is not there any more" in told
    assert restored.call_count == 1
    assert not away.exists()
    if gone == "store":
        assert not Path(disk.store).exists(), "nothing is begun anew in its place"
        (disk.path / "away").rename(disk.store)
    else:
        assert list(Path(disk.store).iterdir()) == []
        name = json.loads((disk.path / "away/run.json").read_text())["id"]
        (disk.path / "away").rename(Path(disk.store, name))
    assert invoke(["resume", "last", "--quiet", "--store", disk.store]) in {0, 1}
    store = FolderStore(Path(disk.store))
    assert store.verify("last").findings == ()
    assert len(outcomes(disk.store)) == TRIALS


@pytest.mark.real
def test_a_disk_without_permission_in_the_middle_is_told_and_the_guest_is_put_back(
    mocker: MockerFixture, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    restored = mocker.spy(SimulatedHypervisor, "restore")
    somebody_else = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "plan.yaml").write_text(PLAN)
        (place / "lab.yaml").write_text(LAB)
        place.chmod(0o777)
        monkeypatch.chdir(place)

        def deny() -> None:
            for path in (place / "results").rglob("*"):
                path.chmod(0o555 if path.is_dir() else 0o444)

        def allow() -> None:
            for path in (place / "results").rglob("*"):
                path.chmod(0o755 if path.is_dir() else 0o644)

        before(mocker, "append", lambda writer, *_: trials_kept(writer) == 2, deny)
        if somebody_else:
            os.seteuid(65534)
        try:
            ask = ["run", "plan.yaml", "--quiet", "--store", "results"]
            assert invoke(ask) == 2
            assert "permission is denied; give this user access" in capsys.readouterr().err
            assert restored.call_count == 1
            allow()
            assert invoke(["resume", "last", "--quiet"]) in {0, 1}
        finally:
            if somebody_else:
                os.seteuid(0)
        assert len(outcomes(str(place / "results"))) == TRIALS
        shutil.rmtree(place / "results")


@pytest.mark.parametrize("how", ["folder gone", "record cut short"])
def test_a_trial_that_was_lost_is_missed_and_run_again_and_no_other_is(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    monkeypatch.chdir(tmp_path)
    status = invoke(["run", "plan.yaml", "--quiet"])
    before_it, store = outcomes("results"), FolderStore(Path("results"))
    lost = next(Path(store.find("last").location, "trials").glob("0002-*"))
    if how == "folder gone":
        shutil.rmtree(lost)
    else:
        (lost / "trial.json").write_bytes((lost / "trial.json").read_bytes()[:100])
    capsys.readouterr()
    assert invoke(["show", "last"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert f"run and lost, since it cannot be read: {lost.name}" in text
    assert "go on with: trialbed resume" in text
    assert invoke(["list"]) == 0
    assert "1 trial lost" in capsys.readouterr().out
    assert invoke(["verify", "last"]) == 1
    begun = mocker.spy(SimulatedHypervisor, "reshape")
    assert invoke(["resume", "last", "--quiet"]) == status
    assert begun.call_count == 1
    assert [name for name, *_ in outcomes("results")] == [name for name, *_ in before_it]
    assert store.verify("last").findings == ()
    apart = store.find("last").discarded
    assert [found.trial for found in apart] == ([lost.name] if how == "record cut short" else [])
    assert invoke(["resume", "last"]) == 2, "nothing is left to resume"
