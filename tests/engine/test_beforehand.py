"""What is refused before a run begins: shapes, guests that are not back, logins without keys."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.record.journal import progress
from orchestrator.engine.beforehand import look_first, refuse_left_behind, refuse_loginless
from orchestrator.engine.news import TrialBegan
from orchestrator.errors import HostFault, InputError, UnreachableError
from orchestrator.hypervisors.command.driver import CommandDriver
from orchestrator.hypervisors.here.driver import HereDriver
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.testing.memory_store import MemoryStore

SHAPES = [
    {"name": "one", "vcpus": 1, "memory": "1 GiB"},
    {"name": "far", "vcpus": 1, "memory": "1 GiB", "pin": [5]},
    {"name": "broad", "vcpus": 3, "memory": "1 GiB"},
]


# ------------------------------------------------------------------------------------------------------------- shapes


def test_every_shape_that_would_be_refused_is_told_at_once_and_nothing_is_touched() -> None:
    experiment = Experiment(plan(shapes=SHAPES), lab(cpus=2))
    before = experiment.hypervisor.save()
    with pytest.raises(InputError) as raised:
        look_first(experiment.plan, experiment.hypervisor, {})
    assert [problem.field for problem in raised.value.problems] == ["shapes[1]", "shapes[2]"]
    assert "guest 'bookings-1' would not be given it: shape 'far' is pinned to CPU 5" in str(raised.value)
    assert "shape 'broad' cannot run" in str(raised.value)
    assert experiment.hypervisor.save() == before


def test_where_nothing_is_refused_the_guest_is_described() -> None:
    experiment = Experiment(plan(), lab())
    assert look_first(experiment.plan, experiment.hypervisor, {}) == experiment.hypervisor.describe()


@pytest.mark.parametrize("question", ["describe", "save", "refusal"])
def test_a_host_that_does_not_answer_is_no_fault_of_the_plan(mocker, question: str) -> None:
    experiment = Experiment(plan(), lab())
    mocker.patch.object(experiment.hypervisor, question, side_effect=HostFault("the daemon is gone"))
    with pytest.raises(UnreachableError, match="nothing was changed: the daemon is gone"):
        look_first(experiment.plan, experiment.hypervisor, {})


# ---------------------------------------------------------------------------------------- guests that are not back


def stopped() -> MemoryStore:
    """The store of a run that was stopped after its first trial, and has put the guest back."""
    experiment = Experiment(plan(), lab(), heard=Heard(stop_on=lambda news: isinstance(news, TrialBegan)))
    experiment.go()
    return experiment.store


def killed() -> MemoryStore:
    """The same, had it been killed as the trial began: nothing was written from then on."""
    store = stopped()
    journal = store.kept["run-1"].journal
    began = next(number for number, event in enumerate(journal) if event.event == "trial-started")
    del journal[began + 1 :]
    return store


class Unmarked(SimulatedDriver):
    left_behind = "unmarked"


def test_a_guest_that_a_killed_run_has_left_is_refused_with_the_run_to_go_on_with() -> None:
    store = killed()
    with pytest.raises(UnreachableError, match=r"'bookings-1' is not back from run run-1, so nothing was changed") as e:
        refuse_left_behind(plan(), lab(), Unmarked(), store)
    assert "(trialbed restore run-1)" in str(e.value)


def test_a_neighbours_guest_that_cannot_be_kept_is_refused_before_there_is_a_run(mocker) -> None:
    experiment, beside = Experiment(plan(), lab()), Experiment(plan(), lab())
    shaped = dataclasses.replace(beside.hypervisor.describe(), shaped_as="two")
    mocker.patch.object(beside.hypervisor, "describe", return_value=shaped)
    with pytest.raises(UnreachableError, match="guest 'timetable-1' is in shape two of another run"):
        look_first(experiment.plan, experiment.hypervisor, {"timetable-1": beside.hypervisor})
    mocker.stopall()
    mocker.patch.object(beside.hypervisor, "save", side_effect=HostFault("it is paused"))
    with pytest.raises(UnreachableError, match=r"guest 'timetable-1' could not be kept.*it is paused"):
        look_first(experiment.plan, experiment.hypervisor, {"timetable-1": beside.hypervisor})


def test_a_neighbours_guest_that_a_killed_run_has_left_is_refused_as_well() -> None:
    store = killed()
    note = store.kept["run-1"].journal
    place = {"guest": "timetable-1", "running": False, "host": "model", "domain": "timetable-1"}
    measured = next(event for event in note if event.event == "guest-saved")
    begun = {"neighbours": ["spin"], "guests": ["timetable-1"]}
    note += [
        measured.model_copy(update={"detail": place}),
        measured.model_copy(update={"event": "neighbours-started", "detail": begun}),
    ]
    both = {"bookings-1": {"host": "model"}, "timetable-1": {"host": "model"}}
    other = Lab.model_validate({"hosts": {"model": {"hypervisor": "simulated"}}, "guests": both})
    with pytest.raises(UnreachableError, match="guest 'timetable-1' is not back from run run-1"):
        refuse_left_behind(plan(guest="timetable-1"), other, Unmarked(), store)
    restored = {"guest": "timetable-1", "neighbour": True}
    note.append(measured.model_copy(update={"event": "restored", "detail": restored}))
    refuse_left_behind(plan(guest="timetable-1"), other, Unmarked(), store)
    with pytest.raises(UnreachableError, match="guest 'bookings-1' is not back"):
        refuse_left_behind(plan(), lab(), Unmarked(), store)


@pytest.mark.parametrize("state", ["out of time", "given up", "interrupted"])
def test_a_run_that_ended_early_and_has_put_its_guest_back_is_in_nobodys_way(state: str) -> None:
    store = stopped()
    journal = store.kept["run-1"].journal
    journal[-1] = journal[-1].model_copy(update={"detail": {"state": state, "why": "for a test"}})
    assert progress(journal).state == state
    refuse_left_behind(plan(), lab(), Unmarked(), store)


def test_one_that_was_put_back_is_not() -> None:
    refuse_left_behind(plan(), lab(), Unmarked(), stopped())


def test_another_guest_host_or_hypervisor_is_not_meant() -> None:
    store = killed()
    host = {"hypervisor": "simulated", "with": {}}
    for hosts, guest in (
        ({"model": host}, {"host": "model", "domain": "bookings-2"}),
        ({"other": host}, {"host": "other"}),
        ({"model": host | {"hypervisor": "other"}}, {"host": "model"}),
    ):
        asked = Lab.model_validate({"hosts": hosts, "guests": {"bookings-1": guest}})
        refuse_left_behind(plan(), asked, Unmarked(), store)


def test_the_same_domain_under_another_name_is() -> None:
    guest = {"host": "model", "domain": "bookings-1"}
    renamed = Lab.model_validate(
        {"hosts": {"model": {"hypervisor": "simulated"}}, "guests": {"bookings": guest, "timetable-1": guest}}
    )
    with pytest.raises(UnreachableError, match="guest 'bookings' is not back from run run-1"):
        refuse_left_behind(plan(guest="bookings"), renamed, Unmarked(), killed())


@pytest.mark.parametrize("driver", [HereDriver, SimulatedDriver, LibvirtDriver])
def test_the_store_is_not_asked_where_guests_are_gone_or_say_so_themselves(driver: type) -> None:
    refuse_left_behind(plan(), lab(), driver(), killed())
    assert CommandDriver.left_behind == "unmarked"


# ------------------------------------------------------------------------------------------------------------- logins


class Keyless:
    """A machine without any keys."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str]] = []

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:
        self.asked.append((machine, access.address))
        return f"{access.address}: the identity file does not exist" if access.address != "192.0.2.12" else None

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> Any:
        raise AssertionError(f"{access} {machine} {timeout_s}: nobody is to be called")


def logins() -> Lab:
    def ssh(number: int) -> dict[str, object]:
        return {"address": f"192.0.2.{number}", "user": "bench"}

    guests = {"bookings-1": 11, "timetable-1": 12, "other-1": 13}
    return Lab.model_validate(
        {
            "hosts": {"quay": {"hypervisor": "libvirt", "uri": "qemu:///system", "ssh": ssh(20)}},
            "guests": {name: {"host": "quay", "ssh": ssh(number)} for name, number in guests.items()},
        }
    )


def test_all_logins_of_a_run_are_looked_at_and_no_others() -> None:
    beside = plan(neighbours=[{"name": "timetable", "guest": "timetable-1", "loops": 1}])
    machine = Keyless()
    with pytest.raises(InputError) as raised:
        refuse_loginless(beside, logins(), LibvirtDriver(), machine)
    assert [problem.field for problem in raised.value.problems] == ["hosts.quay.ssh", "guests.bookings-1.ssh"]
    assert machine.asked == [("host", "192.0.2.20"), ("guest", "192.0.2.11"), ("guest", "192.0.2.12")]


def test_a_driver_with_logins_of_its_own_needs_none_of_the_labs() -> None:
    machine = Keyless()
    refuse_loginless(plan(), logins(), HereDriver(), machine)
    assert machine.asked == []


def test_a_run_keeps_where_its_guest_is() -> None:
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    experiment.go()
    (kept,) = [event.detail for event in experiment.store.kept["run-1"].journal if event.event == "guest-saved"]
    assert kept == {"guest": "bookings-1", "running": True, "host": "model", "domain": "bookings-1"}
