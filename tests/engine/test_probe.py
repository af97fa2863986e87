"""Readiness, line by line, on the simulated lab: what is looked at, and that nothing is changed by it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path

import pytest
from neighbour_fakes import COMMAND, GUEST, HOGS, IN_GUEST, Beside
from simulated_run import Experiment, lab, plan

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.engine.neighbour_load import Place
from orchestrator.engine.probe import Readiness, probe
from orchestrator.errors import HostFault
from orchestrator.hypervisors.simulated.sampler import SimulatedSampler


def lines(experiment: Experiment) -> dict[str, Readiness]:
    before = experiment.hypervisor.save()
    found = probe(experiment.plan, experiment.bench)
    assert experiment.hypervisor.save() == before
    assert len({line.what for line in found if line.what != "guest"}) == len([x for x in found if x.what != "guest"])
    return {line.what: line for line in found}


def test_the_threads_of_the_vcpus_are_looked_for_on_the_host(mocker) -> None:
    experiment = Experiment(plan(), lab())
    threads = {0: "/proc/7/task/8/schedstat", 1: "/proc/7/task/9/schedstat"}
    mocker.patch.object(experiment.hypervisor, "vcpu_threads", return_value=threads)
    line = lines(experiment)["vCPU threads"]
    assert (line.state, line.detail) == ("ready", "2 found on the host, to check the vCPU counters against")


@pytest.mark.parametrize("answer", [{"return_value": {}}, {"side_effect": HostFault("ps is not there")}])
def test_where_there_are_none_the_counters_stand_alone(mocker, answer: dict[str, object]) -> None:
    experiment = Experiment(plan(), lab())
    mocker.patch.object(experiment.hypervisor, "vcpu_threads", **answer)
    found = lines(experiment)
    assert found["vCPU threads"].state == "unavailable"
    assert "the vCPU counters stand alone" in found["vCPU threads"].detail
    assert found["host clock"].state == "ready", "the rest of the host is looked at all the same"


def test_a_program_that_does_not_end_in_order_costs_no_line(mocker) -> None:
    experiment = Experiment(plan(), lab())
    whole = lines(experiment)
    late = HostFault("the program that reads the host's counters did not end within 5 s of the end of its input")
    mocker.patch.object(SimulatedSampler, "close", side_effect=late)
    assert lines(experiment).keys() == whole.keys()


def test_a_guest_that_is_off_has_no_threads_to_look_for() -> None:
    found = lines(Experiment(plan(), lab(defined={"running": False})))
    assert "vCPU threads" not in found
    assert found["vCPU counters"].state == "unavailable"
    assert found["host load"].state in {"ready", "look"}


def test_without_a_login_on_the_host_nothing_is_looked_for(mocker) -> None:
    experiment = Experiment(plan(), lab())
    mocker.patch.object(experiment.hypervisor, "host_access", return_value=None)
    found = lines(experiment)
    assert "vCPU threads" not in found
    assert found["host ssh"].state == "unavailable"


def test_a_guest_that_is_still_in_the_shape_of_a_run_is_not_ready(mocker) -> None:
    experiment = Experiment(plan(), lab())
    shaped = dataclasses.replace(experiment.hypervisor.describe(), shaped_as="two")
    mocker.patch.object(experiment.hypervisor, "describe", return_value=shaped)
    line = lines(experiment)["definition"]
    assert line.state == "not ready"
    assert "in shape two of another run" in line.detail


# ------------------------------------------------------------------------------------------- what a run would refuse


def test_shapes_that_the_driver_would_refuse_are_not_ready_and_say_why() -> None:
    shapes = [
        {"name": "one", "vcpus": 1, "memory": "1 GiB"},
        {"name": "far", "vcpus": 1, "memory": "1 GiB", "pin": [5]},
        {"name": "broad", "vcpus": 3, "memory": "1 GiB"},
    ]
    found = lines(Experiment(plan(shapes=shapes), lab(cpus=2)))
    assert found["shape one"] == Readiness("shape one", "ready", "1 vCPU and 1 GiB fit the host")
    assert found["shape far"].state == found["shape broad"].state == "not ready"
    assert found["shape far"].detail == "shape 'far' is pinned to CPU 5; the host has CPUs 0 to 1"


def test_more_vcpus_than_the_host_has_cpus_are_for_a_person_to_look_at() -> None:
    shapes = [{"name": "broad", "vcpus": 3, "memory": "1 GiB"}]
    line = lines(Experiment(plan(shapes=shapes), lab(cpus=2, gang=False)))["shape broad"]
    assert (line.state, line.detail) == ("look", "3 vCPUs on 2 physical CPUs: they will wait for each other")


@pytest.mark.parametrize(("question", "what"), [("refusal", "shape one"), ("save", "definition")])
def test_a_host_that_gives_no_answer_is_not_ready(mocker, question: str, what: str) -> None:
    experiment = Experiment(plan(), lab())
    mocker.patch.object(experiment.hypervisor, question, side_effect=HostFault("the daemon is gone"))
    line = {line.what: line for line in probe(experiment.plan, experiment.bench)}[what]
    assert (line.state, line.detail) == ("not ready", "the daemon is gone")


@pytest.mark.parametrize("running", [True, False])
def test_a_key_that_is_not_there_is_told_whether_the_guest_is_on_or_off(mocker, running: bool) -> None:
    experiment = Experiment(plan(), lab(defined={"running": running}))
    missing = "the identity file /keys/none does not exist"
    mocker.patch.object(experiment.bench.connector, "obstacle", return_value=missing)
    connect = mocker.patch.object(experiment.bench.connector, "connect")
    found = lines(experiment)
    for what in ("host ssh", "guest ssh"):
        assert (found[what].state, found[what].detail) == ("not ready", missing)
    connect.assert_not_called()


# ------------------------------------------------------------------------------------------------ host and neighbours


def beside(*neighbours: Mapping[str, object], running: bool = False) -> Beside:
    return Beside(*neighbours, running=running)


def found_beside(where: Beside) -> dict[str, Readiness]:
    return {line.what: line for line in probe(where.run.plan, where.run.bench)}


def test_a_run_does_without_the_host_and_the_probe_says_what_that_means() -> None:
    where = beside(IN_GUEST)
    where.host.reachable = False
    line = found_beside(where)["host ssh"]
    assert line.state == "look"
    assert line.detail == "the host does not answer; the run goes on without the host's own counters"


def test_with_neighbours_on_the_host_it_is_needed() -> None:
    where = beside(HOGS)
    where.host.reachable = False
    found = found_beside(where)
    for what in ("host ssh", "neighbour hogs"):
        assert (found[what].state, found[what].detail) == ("not ready", "the host does not answer")


def test_a_host_whose_counters_cannot_be_read_is_for_a_person_to_look_at(mocker) -> None:
    where = beside(HOGS)
    mocker.patch.object(where.run.bench.samplers, "open", side_effect=HostFault("there is no /proc"))
    found = found_beside(where)
    assert (found["host ssh"].state, found["host counters"].state) == ("ready", "look")
    assert found["host counters"].detail.endswith("the run goes on without the host's own counters")
    assert found["guest counters"].state == "not ready"


def test_a_neighbours_guest_needs_a_key_too() -> None:
    where = beside(IN_GUEST)
    where.run.bench.connector.obstacles[f"{GUEST}.example"] = "the identity file /keys/none does not exist"
    line = found_beside(where)[f"neighbour's guest {GUEST}"]
    assert (line.state, line.detail) == ("not ready", "the identity file /keys/none does not exist")


def test_a_neighbours_guest_that_is_off_stays_off() -> None:
    where = beside(COMMAND)
    found = found_beside(where)
    assert found[f"neighbour's guest {GUEST}"].detail == "off now; the run starts it"
    assert "neighbour reports" not in found
    assert where.guest.calls == []


def test_in_one_that_runs_its_neighbours_are_looked_at() -> None:
    where = beside(COMMAND, running=True)
    assert found_beside(where)["neighbour reports"].state == "ready"
    where.other.reachable = False
    line = found_beside(where)["neighbour reports"]
    assert (line.state, line.detail) == ("not ready", "nobody answers")


@pytest.mark.real
@pytest.mark.parametrize(
    ("program", "state"),
    [
        ("sh", "ready"),
        ("./work", "ready"),
        ("nonesuch", "not ready"),
        ("$(touch x)", "not ready"),
        ("; touch x", "not ready"),
    ],
)
def test_the_program_of_a_neighbour_is_looked_for_and_its_name_is_never_run(
    mocker, tmp_path: Path, program: str, state: str
) -> None:
    (tmp_path / "work").touch(mode=0o755)
    where = beside({"name": "reports", "command": [program, "2"]})
    mocker.patch.object(Place, "ready", return_value=LocalShell(SystemClock(), tmp_path))
    line = found_beside(where)["neighbour reports"]
    assert line.state == state
    assert state == "ready" or line.detail == f"there is no program {program!r} that its login could run"
    assert [path.name for path in tmp_path.iterdir()] == ["work"]
