"""What is kept of host, guest and definition: once a run, and with a reason for whatever is not there."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.record.facts import FACTS
from orchestrator.core.record.run import Environment
from orchestrator.engine.news import Notice
from orchestrator.errors import HostFault


def kept(experiment: Experiment) -> Environment:
    records = experiment.go()
    assert {record.outcome for record in records} == {"measured"}, "what cannot be told costs no trial"
    environment = experiment.store.kept["run-1"].environment
    assert environment is not None
    return environment


def experiment() -> Experiment:
    return Experiment(plan(design={"blocks": 1}), lab(neighbours=3, rate=250.0))


def test_every_fact_is_there_or_has_a_reason() -> None:
    environment = kept(experiment())
    for section, facts in FACTS.items():
        told = getattr(environment, section)
        assert told.keys() == facts.keys()
        assert environment.unavailable[section].keys() == {key for key, value in told.items() if value is None}
    assert environment.unavailable["host"]["cpu_microcode"] == "/proc/cpuinfo does not tell it"
    assert environment.hypervisor["model"] == "2 CPUs, 3 CPU-bound neighbours, gang scheduling, rate 250"


def test_a_host_without_a_login_is_given_as_the_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    ready = experiment()
    monkeypatch.setattr(ready.hypervisor, "host_access", lambda: None)
    environment = kept(ready)
    assert set(environment.host.values()) == {None}
    assert set(environment.unavailable["host"].values()) == {"the lab gives no ssh access to it"}


@pytest.mark.parametrize("machine", ["host", "driver"])
def test_a_host_or_a_driver_that_fails_is_given_as_the_reason(monkeypatch: pytest.MonkeyPatch, machine: str) -> None:
    ready = experiment()

    def fail(*_: object, **__: object) -> None:
        raise HostFault("the quay does not answer")

    if machine == "driver":
        monkeypatch.setattr(ready.hypervisor, "facts", fail)
        environment, section = kept(ready), "hypervisor"
    else:
        connect: Callable[..., object] = ready.bench.connector.connect
        monkeypatch.setattr(
            ready.bench.connector,
            "connect",
            lambda access, *, machine, timeout_s: (
                fail() if machine == "host" else connect(access, machine=machine, timeout_s=timeout_s)
            ),
        )
        environment, section = kept(ready), "host"
    assert set(environment.unavailable[section].values()) == {"the quay does not answer"}
    assert any("the quay does not answer" in news.text for news in ready.heard.news if isinstance(news, Notice))
