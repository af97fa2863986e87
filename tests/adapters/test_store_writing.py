"""What writing leaves behind when the disk refuses, the process dies, or two processes want the same run."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from stored_runs import (
    FIRST,
    INPUTS,
    SAVED,
    SECOND,
    event,
    interrupted_run,
    run_record,
    trial_data,
    trial_record,
    whole_run,
)

from orchestrator.adapters.store import atomic, folder
from orchestrator.adapters.store.digests import sha256
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.layout import RunFolder
from orchestrator.adapters.store.lock import RunLock
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.core.record.journal import progress
from orchestrator.engine.ports import SavedGuest, TrialData
from orchestrator.errors import StoreError

HERE = Path(__file__).parent
ENVIRONMENT = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE.parents[1]), str(HERE)])}


@contextlib.contextmanager
def files_at_most(size: int) -> Iterator[None]:
    """No file of this process may grow beyond ``size`` bytes: setrlimit(2), EFBIG since Python ignores SIGXFSZ."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Root may write anywhere; be somebody else for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def left_over(folder: Path) -> list[str]:
    return [str(path) for path in folder.rglob("*") if path.name.startswith(".partial-")]


def test_a_trial_that_does_not_fit_leaves_nothing_of_itself(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    journal = Path(writer.location, "journal.jsonl").read_bytes()
    big = TrialData(trial_data().throughput, (), (), (), os.urandom(40_000).hex())
    with (
        files_at_most(20_000),
        pytest.raises(StoreError, match=r"workload\.log\.gz: the file would be larger .*ulimit"),
    ):
        writer.keep_trial(trial_record(SECOND), big)
    assert left_over(tmp_path) == []
    assert [trial.id for trial in store.find("last").trials] == [FIRST]
    assert Path(writer.location, "journal.jsonl").read_bytes() == journal
    writer.keep_trial(trial_record(SECOND), big)
    assert [trial.id for trial in store.find("last").trials] == [FIRST, SECOND]


def test_a_journal_line_that_does_not_fit_leaves_the_journal_as_it_was(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    journal = Path(writer.location, "journal.jsonl")
    before = journal.read_bytes()
    with files_at_most(len(before) + 30), pytest.raises(StoreError, match=r"cannot write .*journal\.jsonl"):
        writer.append(event("trial-started", SECOND))
    assert journal.read_bytes() == before
    writer.append(event("trial-started", SECOND))
    assert progress(store.journal(store.find("last"))).in_hand == SECOND
    assert store.problems() == []


def test_a_run_that_does_not_fit_is_not_there_at_all(tmp_path: Path) -> None:
    store = FolderStore(tmp_path)
    with files_at_most(500), pytest.raises(StoreError, match="cannot write"):
        store.create(run_record(), {"plan.yaml": b"x" * 1000})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.real
def test_a_full_disk_is_told_and_loses_nothing(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("a small file system can only be mounted by root")
    try:
        store, writer = interrupted_run(disk / "results")
        big = TrialData((), (), (), (), os.urandom(300_000).hex())
        with pytest.raises(StoreError, match="the disk is full; free some space"):
            writer.keep_trial(trial_record(SECOND), big)
        assert left_over(disk) == []
        writer.append(event("run-interrupted"))
        writer.seal()
        stored, again, _ = store.reopen("last")
        assert [trial.id for trial in stored.trials] == [FIRST]
        assert again.saved_guest("bookings-1") == SAVED
    finally:
        subprocess.run(["umount", "--lazy", str(disk)], check=True)


def test_a_folder_without_permission_is_told() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o555)
        with as_nobody(), pytest.raises(StoreError, match=r"permission is denied; give this user access"):
            FolderStore(folder).create(run_record(), INPUTS)
        assert list(folder.iterdir()) == []
        folder.chmod(0o755)


def test_a_results_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "results").touch()
    with pytest.raises(StoreError, match=r"cannot write .*results"):
        FolderStore(tmp_path / "results").create(run_record(), INPUTS)


def test_a_counter_named_like_a_column_is_told(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    sample = trial_data().vcpu[0]
    bad = type(sample)(sample.time_s, 0.0, 0, {"time_s": 1})
    with pytest.raises(StoreError, match="the vcpu series cannot be stored: a counter is named time_s"):
        writer.keep_trial(trial_record(SECOND), TrialData((), (), (), [bad], ""))


@pytest.mark.parametrize("name", ["..", "../x", "a/b", "", ".hidden", "x\ny"])
def test_names_that_are_no_folders_are_refused(tmp_path: Path, name: str) -> None:
    _, writer = interrupted_run(tmp_path)
    with pytest.raises(StoreError, match="cannot name the folder of a"):
        writer.keep_before(name, SAVED)
    with pytest.raises(StoreError, match="cannot name the folder of a"):
        writer.keep_trial(trial_record().model_copy(update={"id": name}), trial_data())


def test_details_of_an_event_that_are_no_json_are_kept_as_text(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.append(event("notice", path=Path("/x"), value=float("nan"), text="a\nb\u2028\x1b"))
    assert store.journal(store.find("last"))[-1].detail == {"path": "/x", "value": None, "text": "a\nb\u2028\x1b"}
    assert store.problems() == []


def test_a_definition_that_was_changed_is_not_given_back(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    Path(writer.location, "before/bookings-1/definition/guest.xml").write_bytes(b"<domain/>")
    with pytest.raises(StoreError, match=r"guest\.xml was changed after it was written; the guest cannot be put back"):
        writer.saved_guest("bookings-1")


def test_a_definition_with_any_file_names_comes_back(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    saved = SavedGuest({"../../evil": b"1", "saved.json": b"2", "disk/layout.xml": b"3"}, running=False)
    writer.keep_before("bookings-2", saved)
    assert writer.saved_guest("bookings-2") == saved
    assert {path.name for path in tmp_path.iterdir()} == {writer.id}


# ------------------------------------------------------------------------------------------------------- resuming


def test_a_torn_line_is_set_aside_when_a_run_is_resumed(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    journal = Path(writer.location, "journal.jsonl")
    whole = journal.read_bytes()
    journal.write_bytes(whole + b'{"time_utc": "2026-08-')
    _, again, inputs = store.reopen("last")
    assert inputs == INPUTS
    assert journal.read_bytes() == whole
    assert Path(again.location, "journal.torn").read_bytes() == b'{"time_utc": "2026-08-\n'
    again.append(event("run-resumed"))
    assert [e.event for e in store.journal(store.find("last"))][-1] == "run-resumed"
    assert store.problems() == []


def test_a_run_that_ended_without_putting_the_guest_back_can_be_reopened(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.append(event("restore-failed"))
    writer.append(event("run-ended"))
    assert store.reopen("last")[1].saved_guest("bookings-1") == SAVED
    whole, _ = whole_run(tmp_path / "whole")
    with pytest.raises(StoreError, match="complete"):
        whole.reopen("last")


def test_a_run_that_another_process_brought_further_meanwhile_is_read_anew(tmp_path: Path, mocker) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.seal()

    def late(folder: RunFolder) -> FolderWriter:
        other = FolderWriter(folder)  # it lets go of the run just before this process asks for it
        other.keep_trial(trial_record(SECOND), trial_data())
        other.append(event("trial-ended", SECOND, outcome="measured"))
        other.let_go()
        return FolderWriter(folder)

    mocker.patch.object(folder, "FolderWriter", late)
    stored, again, _ = store.reopen("last")
    assert {trial.id for trial in stored.trials} == {FIRST, SECOND}, "or the second would be run again"
    again.let_go()


def test_a_holder_that_ends_just_before_its_lock_is_taken_leaves_no_lock_without_a_name(tmp_path: Path, mocker) -> None:
    place, real = tmp_path / ".lock", fcntl.lockf
    place.touch()

    def late(descriptor: int, command: int) -> None:
        mocker.stopall()
        place.unlink()  # as the holder does when it ends
        real(descriptor, command)

    mocker.patch.object(fcntl, "lockf", late)
    lock = RunLock(place)
    assert place.is_file(), "a lock on a file that nobody finds any more keeps nobody out"
    lock.release()


def test_a_file_system_without_locks_is_not_taken_for_another_process(tmp_path: Path, mocker) -> None:
    mocker.patch.object(fcntl, "lockf", side_effect=OSError(errno.ENOLCK, "No locks available"))
    with pytest.raises(StoreError, match=r"No locks available; choose a results folder on a file system with locks"):
        RunLock(tmp_path / ".lock")


def test_a_journal_line_of_which_the_disk_does_not_say_that_it_lasts_is_taken_back(tmp_path: Path, mocker) -> None:
    _, writer = interrupted_run(tmp_path)
    journal = Path(writer.location, "journal.jsonl")
    before = journal.read_bytes()
    mocker.patch.object(os, "fsync", side_effect=OSError(errno.EIO, "Input/output error"))
    with pytest.raises(StoreError, match="the disk reports an input/output error"):
        writer.append(event("notice"))
    assert journal.read_bytes() == before


def test_the_names_of_new_folders_above_a_run_last(tmp_path: Path, mocker) -> None:
    synced = mocker.spy(atomic, "sync")
    FolderStore(tmp_path / "nights" / "results").create(run_record(), INPUTS)
    assert {tmp_path, tmp_path / "nights", tmp_path / "nights/results"} <= {call.args[0] for call in synced.mock_calls}


HOLDER = """
import sys
from pathlib import Path
from orchestrator.adapters.store.folder import FolderStore
writer = FolderStore(Path(sys.argv[1])).reopen("last")[1]
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.real
def test_two_processes_do_not_write_to_one_run(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.seal()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match=f"another process writes to this run .process {holder.pid} on "):
            store.reopen("last")
        assert len(store.list()) == 1  # reading goes on
        holder.kill()
        holder.wait(10)
    store.reopen("last")[1].seal()
    assert not Path(writer.location, ".lock").exists()


WRITER = """
import sys
from pathlib import Path
from orchestrator.adapters.store.folder import FolderStore
from stored_runs import event, trial_record, trial_data
writer = FolderStore(Path(sys.argv[1])).reopen("last")[1]
print("ready", flush=True)
for number in range(100000):
    trial = trial_record().model_copy(update={"id": f"t{number:05d}", "number": number})
    writer.append(event("trial-started", trial.id))
    writer.keep_trial(trial, trial_data("x" * 5000))
    writer.append(event("trial-ended", trial.id))
"""


@pytest.mark.real
@pytest.mark.parametrize("after_s", [0.011, 0.033, 0.057])
def test_a_process_killed_while_it_writes_leaves_whole_trials_only(tmp_path: Path, after_s: float) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.seal()
    child = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True, env=ENVIRONMENT
    )
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        deadline = time.monotonic() + 20
        while not Path(writer.location, "trials/t00000").is_dir():
            assert time.monotonic() < deadline
        time.sleep(after_s)
        child.send_signal(signal.SIGKILL)
        child.wait(10)
    run = store.find("last")
    ended = set(progress(store.journal(run)).ended)
    kept = {trial.id for trial in run.trials}
    assert ended <= kept  # a trial is on the disk before the journal says so
    assert len(kept - ended) <= 1
    for trial in run.trials:
        files = {name: Path(writer.location, "trials", trial.id, name).read_bytes() for name in trial.files}
        assert {name: sha256(content) for name, content in files.items()} == trial.files
    store.reopen("last")[1].append(event("run-resumed"))
    assert not any("cut short (" in problem for problem in store.problems())
