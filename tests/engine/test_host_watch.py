"""The host's channel: one login for the run, the vCPUs' threads of each power-on, and no trial lost by it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.core.measure.samples import Sample
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import Sampler, Shell
from orchestrator.errors import HostFault


def path(tid: int) -> str:
    return f"/proc/100/task/{tid}/schedstat"


@dataclass
class Threads:
    """The simulation's host with threads added: each has run for as many seconds as its id says."""

    experiment: Experiment
    opened: list[tuple[str, ...]] = field(default_factory=list)
    logins: int = 0
    found: Mapping[int, str] | Exception = field(default_factory=dict)

    def vcpu_threads(self, _host: Shell) -> Mapping[int, str]:
        if isinstance(self.found, Exception):
            raise self.found
        return self.found

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> Sampler:
        assert self.experiment.equipment.samplers is not None
        sampler = self.experiment.equipment.samplers.open(shell, machine=machine, root=root)
        self.opened.append(tuple(threads))
        values = {
            f"thread.{p.split('/')[4]}.{what}": int(p.split("/")[4]) for p in threads for what in ("run_ns", "wait_ns")
        }

        class WithThreads:
            method = "python"
            exchange = sampler.exchange
            close = sampler.close

            def sample(self) -> Sample:
                taken = sampler.sample()
                return replace(taken, values={**taken.values, **values})

        return WithThreads()


@pytest.fixture
def host(mocker):
    experiment = Experiment(plan(), lab())
    threads = Threads(experiment)
    mocker.patch.object(experiment.hypervisor, "vcpu_threads", side_effect=threads.vcpu_threads)
    connect = mocker.spy(experiment.bench.connector, "connect")
    watch = HostWatch(replace(experiment.bench, samplers=threads))
    yield threads, watch, experiment, connect
    watch.close()


def notices(experiment: Experiment) -> list[str]:
    return [news.text for news in experiment.heard.news if isinstance(news, Notice)]


def test_threads_stand_under_the_names_of_their_vcpus(host) -> None:
    threads, watch, _, _ = host
    threads.found = {0: path(501), 1: path(502)}
    watch.ready()
    values = watch.sample().values
    assert {name: value for name, value in values.items() if name.startswith("vcpu.")} == {
        "vcpu.0.run_ns": 501,
        "vcpu.0.wait_ns": 501,
        "vcpu.1.run_ns": 502,
        "vcpu.1.wait_ns": 502,
    }
    assert "cpu.user_ticks" in values
    assert not any(name.startswith("thread.") for name in values)


def test_the_login_is_kept_and_the_sampler_follows_the_threads(host) -> None:
    threads, watch, _, connect = host
    for found in ({0: path(1)}, {0: path(1)}, {0: path(2), 1: path(3)}, {}):
        threads.found = found
        watch.ready()
        assert watch.sample() is not None
    assert threads.opened == [(path(1),), (path(2), path(3)), ()]
    assert connect.call_count == 1
    assert not any(name.startswith("vcpu.") for name in watch.sample().values)


def test_threads_that_cannot_be_found_cost_nothing_and_are_told_once(host) -> None:
    threads, watch, experiment, _ = host
    threads.found = HostFault("no QEMU process of that name")
    for _ in range(3):
        watch.ready()
        assert watch.sample() is not None
    assert notices(experiment) == ["there is no second look at the vCPU counters: no QEMU process of that name"]
    assert threads.opened == [()]


def test_a_host_that_refuses_the_login_costs_nothing_and_is_tried_again(host, mocker) -> None:
    _, watch, experiment, connect = host
    connect.side_effect = HostFault("login refused")
    watch.ready()
    assert watch.sample() is None
    assert notices(experiment) == ["the host's own counters are unavailable: login refused"]
    mocker.stop(connect)
    watch.ready()
    assert watch.sample() is not None


def test_a_sampler_that_does_not_end_in_order_is_told_and_followed_by_the_next(host, mocker) -> None:
    threads, watch, experiment, _ = host
    threads.found = {0: path(1)}
    watch.ready()
    mocker.patch.object(watch._sampler, "close", side_effect=HostFault("it went on"), create=True)
    threads.found = {0: path(2)}
    watch.ready()
    assert watch.sample().values["vcpu.0.run_ns"] == 2
    assert notices(experiment) == ["the host's sampler did not end in order: it went on"]


def test_a_host_without_access_is_told_once(host, mocker) -> None:
    _, watch, experiment, connect = host
    mocker.patch.object(experiment.hypervisor, "host_access", return_value=None)
    watch.ready()
    watch.ready()
    assert watch.sample() is None
    assert len(notices(experiment)) == 1
    assert connect.call_count == 0
