"""Guests as they were and a run's inputs: read from any copy of a run, replaced without loss, written by one alone."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from stored_runs import INPUTS, SAVED, event, run_record

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import RunBusyError, StoreError


@pytest.fixture
def store(tmp_path: Path) -> FolderStore:
    made = FolderStore(tmp_path / "results")
    writer = made.create(run_record(), INPUTS)
    writer.keep_before("bookings-1", SAVED)
    for name in ("run-started", "trial-started", "restored", "run-interrupted"):
        writer.append(event(name))
    writer.seal()
    return made


def test_a_copy_of_a_run_gives_its_guests_and_inputs_whatever_it_is_called(store: FolderStore, tmp_path: Path) -> None:
    copy = tmp_path / "a copy"
    shutil.copytree(store.find("last").location, copy)
    run = FolderStore(tmp_path / "nowhere").find(str(copy))
    assert store.guests(run) == ("bookings-1",)
    assert store.saved_guest(run, "bookings-1") == SAVED
    assert store.saved_guest(run, "other") is None
    assert store.inputs(run) == INPUTS
    assert store.before_folder(run, "bookings-1") == f"{copy}/before/bookings-1/definition"
    (copy / "before/bookings-1/definition/guest.xml").write_bytes(b"<other/>")
    with pytest.raises(StoreError, match=r"guest\.xml was changed after it was written"):
        store.saved_guest(run, "bookings-1")


def test_what_is_replaced_is_put_apart_and_what_is_kept_is_whole(store: FolderStore) -> None:
    _, writer, _ = store.reopen("last")
    newer = SavedGuest({"guest.xml": b"<newer/>"}, running=False)
    writer.replace_guest("bookings-1", newer, "for a test")
    writer.replace_input("lab.yaml", b"another lab", "for a test")
    writer.replace_input("load/run.sh", b"another load", "for a test")
    place = Path(writer.location)
    assert writer.saved_guest("bookings-1") == newer
    assert store.inputs(store.find("last")) == INPUTS | {"lab.yaml": b"another lab", "load/run.sh": b"another load"}
    apart = {found.folder: found.reason for found in store.find("last").discarded}
    assert apart == dict.fromkeys(
        ("discarded/before-bookings-1-1", "discarded/lab.yaml-1", "discarded/load-run.sh-1"), "for a test"
    )
    assert (place / "discarded/lab.yaml-1/lab.yaml").read_bytes() == INPUTS["lab.yaml"]
    earlier = place / "discarded/before-bookings-1-1"
    assert {name: (earlier / "definition" / name).read_bytes() for name in SAVED.files} == SAVED.files
    assert earlier.stat().st_mode & 0o077 == 0, "only the owner may read a definition"
    writer.seal()
    assert store.verify("last").findings == ()


def test_one_at_a_time_writes_to_a_run_that_has_ended(store: FolderStore, holder: None) -> None:
    with pytest.raises(RunBusyError, match="another process writes to this run"):
        store.writer(store.find("last"))


@pytest.fixture
def holder(store: FolderStore) -> Iterator[None]:
    place = Path(store.find("last").location) / ".lock"
    child_end, our_end = os.pipe()
    ready, told = os.pipe()
    child = os.fork()
    if child == 0:
        with place.open("w") as lock:
            fcntl.lockf(lock, fcntl.LOCK_EX)
            os.write(told, b"x")
            os.close(our_end)
            os.read(child_end, 1)
        os._exit(0)
    os.read(ready, 1)
    yield None
    os.close(our_end)
    os.waitpid(child, 0)
