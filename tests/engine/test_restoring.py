"""Putting the guests of a stored run back: each whatever becomes of the others, and under the run's leases."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from simulated_run import Experiment, lab, plan, record_of

from orchestrator.core.design.shape import Shape
from orchestrator.core.record.journal import Event, progress
from orchestrator.core.record.run import StoredRun
from orchestrator.engine.ports import Hypervisor, NoLeases, SavedGuest
from orchestrator.engine.restoring import PutBack, Restoration, in_order
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import HostFault, RestoreError, RunBusyError, StoreError, UnreachableError
from orchestrator.testing.memory_store import MemoryStore

GUESTS = ("timetable-1", "bookings-1")
ONE = Shape.model_validate({"name": "one", "vcpus": 1, "memory": "1 GiB"})


class Watched(NoLeases):
    """Leases that remember, and may be somebody else's."""

    def __init__(self, refusal: str = "") -> None:
        self.calls: list[str] = []
        self._refusal = refusal

    def take(self, run: str, title: str, *, share_host: bool) -> list[str]:  # noqa: ARG002 - the protocol's
        self.calls.append(f"take for {run}")
        if self._refusal:
            raise UnreachableError(self._refusal)
        return ["taken over from a process that has ended"]

    def release(self) -> str | None:
        self.calls.append("release")
        return None

    def leave(self) -> None:
        self.calls.append("leave")


class Left:
    """A killed run with two guests, both in a shape of the run's."""

    def __init__(self, store: MemoryStore | None = None) -> None:
        self.store = store or MemoryStore()
        self.guests: dict[str, Hypervisor] = {name: Experiment(plan(), lab()).hypervisor for name in GUESTS}
        self.before = {name: guest.save() for name, guest in self.guests.items()}
        writer = self.store.create(record_of(plan()), {})
        for name, saved in self.before.items():
            writer.keep_before(name, saved)
        for event, detail in (("neighbours-started", {"guests": ["timetable-1"]}), ("trial-started", {})):
            at = {"time_utc": "2026-01-01T00:00:00.000Z", "trial": "b1", "detail": detail}
            writer.append(Event.model_validate({"event": event} | at))
        for name, guest in self.guests.items():
            guest.stop(60)
            guest.reshape(ONE, self.before[name])
        self.said: list[str] = []

    def put_back(self, leases: Watched) -> list[PutBack]:
        restoration = Restoration(self.store, self.store.find("run-1"), self.guests)
        return restoration.put_back(leases, title="", share_host=False, clock=VirtualClock(), say=self.said.append)

    def are_back(self) -> dict[str, bool]:
        return {name: guest.save() == self.before[name] for name, guest in self.guests.items()}

    def journal(self) -> list[Event]:
        return self.store.kept["run-1"].journal


def test_every_guest_comes_back_the_measured_one_last_and_the_journal_tells_which() -> None:
    left, leases = Left(), Watched()
    assert in_order(["bookings-1", "timetable-1", "archive-1"], "bookings-1")[-1] == "bookings-1"
    assert left.put_back(leases) == [PutBack("timetable-1", True, True), PutBack("bookings-1", True, True)]
    assert left.are_back() == dict.fromkeys(GUESTS, True)
    assert leases.calls == ["take for run-1", "release"]
    assert left.said == ["taken over from a process that has ended"]
    told = [(event.event, event.detail.get("guest"), event.detail.get("neighbour")) for event in left.journal()[-6:]]
    assert told == [
        ("leases-taken", None, None),
        ("restore-started", "timetable-1", True),
        ("restored", "timetable-1", True),
        ("restore-started", "bookings-1", None),
        ("restored", "bookings-1", None),
        ("leases-released", None, None),
    ]
    assert progress(left.journal()).guest_is_back
    assert left.store.kept["run-1"].sealed


def test_guests_that_were_put_back_by_hand_are_not_touched_and_noted() -> None:
    left = Left()
    for name, guest in left.guests.items():
        guest.restore(left.before[name])
    assert [done.touched for done in left.put_back(Watched())] == [False, False]
    assert progress(left.journal()).guest_is_back


@pytest.mark.parametrize("lost", GUESTS)
def test_one_that_does_not_come_back_costs_no_other_and_keeps_the_leases(mocker, lost: str) -> None:
    left, leases = Left(), Watched()
    mocker.patch.object(left.guests[lost], "restore", side_effect=HostFault("no route to host"))
    with pytest.raises(RestoreError, match=rf"NOT PUT BACK: guest '{lost}' .*no route to host"):
        left.put_back(leases)
    assert left.are_back() == {name: name != lost for name in GUESTS}
    assert leases.calls == ["take for run-1", "leave"]
    where = progress(left.journal())
    assert [guest.guest for guest in where.not_back] == [lost]
    assert not where.guest_is_back


def test_one_that_cannot_even_be_looked_at_costs_no_other(mocker) -> None:
    left, leases = Left(), Watched()
    mocker.patch.object(left.guests["timetable-1"], "describe", side_effect=ZeroDivisionError("a driver's defect"))
    with pytest.raises(RestoreError, match=r"guest 'timetable-1' .*ZeroDivisionError: a driver's defect"):
        left.put_back(leases)
    assert left.are_back()["bookings-1"]
    assert leases.calls == ["take for run-1", "leave"]


def test_one_whose_kept_definition_is_damaged_keeps_the_leases_and_costs_no_other(mocker) -> None:
    left, leases = Left(), Watched()
    kept = left.store.saved_guest

    def damaged(run: StoredRun, guest: str) -> SavedGuest | None:
        if guest == "timetable-1":
            raise StoreError("its definition was changed; restore the files from a copy")
        return kept(run, guest)

    mocker.patch.object(left.store, "saved_guest", damaged)
    with pytest.raises(RestoreError, match=r"NOT PUT BACK: guest 'timetable-1' .*restore the files from a copy"):
        left.put_back(leases)
    assert left.are_back()["bookings-1"]
    assert leases.calls == ["take for run-1", "leave"]
    assert [guest.guest for guest in progress(left.journal()).not_back] == ["timetable-1"]


def test_a_driver_that_only_says_so_is_not_believed(mocker) -> None:
    left = Left()
    mocker.patch.object(left.guests["bookings-1"], "restore")
    with pytest.raises(RestoreError, match="the driver reported success, but power: was on, is off"):
        left.put_back(Watched())
    assert not progress(left.journal()).guest_is_back


def test_where_somebody_else_has_the_host_nothing_is_touched() -> None:
    left = Left()
    with pytest.raises(UnreachableError, match="bench@quay measures there"):
        left.put_back(Watched("bench@quay measures there"))
    assert left.are_back() == dict.fromkeys(GUESTS, False)


def refuses(error: Exception) -> Callable[..., object]:
    def writer(*_: object) -> object:
        raise error

    return writer


def test_a_store_that_cannot_be_written_keeps_no_guest_from_coming_back(mocker) -> None:
    left = Left()
    mocker.patch.object(left.store, "writer", refuses(StoreError("the file system is read-only")))
    left.put_back(Watched())
    assert left.are_back() == dict.fromkeys(GUESTS, True)
    assert "not written into the run's journal: the file system is read-only" in left.said[0]


def test_a_disk_that_fills_up_meanwhile_does_not_either() -> None:
    left = Left()
    left.store._crash_after, left.store._crash = left.store.writes + 1, lambda: StoreError("the disk is full")
    with pytest.raises(StoreError, match="the disk is full"):
        left.put_back(Watched())
    assert left.are_back() == dict.fromkeys(GUESTS, True)
    assert left.said[-1].startswith("every guest is as it was before the run"), "which the error does not tell"


def test_a_run_that_another_process_is_at_work_on_is_left_alone(mocker) -> None:
    left, leases = Left(), Watched()
    mocker.patch.object(left.store, "writer", refuses(RunBusyError("process 17 on quay")))
    with pytest.raises(RunBusyError):
        left.put_back(leases)
    assert left.are_back() == dict.fromkeys(GUESTS, False)
    assert leases.calls == []


def test_no_guest_of_a_run_in_progress_is_called_as_it_was() -> None:
    """A process guest lives in its run's process: whoever looks from another one finds the guest as it was."""
    left = Left()
    restoration = Restoration(left.store, replace(left.store.find("run-1"), state="running"), left.guests)
    left.put_back(Watched())
    assert left.are_back() == dict.fromkeys(GUESTS, True)
    found = {each.guest: (each.found, each.lines) for each in restoration.check()}
    told = ("the run is in progress: the guest is in its hands, and is put back at its end",)
    assert found == dict.fromkeys(GUESTS, ("differs", told))
