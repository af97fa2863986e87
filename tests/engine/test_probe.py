"""Readiness, line by line, on the simulated lab: what is looked at, and that nothing is changed by it."""

from __future__ import annotations

import dataclasses

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.engine.probe import Readiness, probe
from orchestrator.errors import HostFault


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
