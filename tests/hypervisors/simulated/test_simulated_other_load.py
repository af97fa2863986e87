"""Other load that comes and goes on the simulated host: counters and throughput follow the same truth as neighbours."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import pytest
from pydantic import ValidationError
from test_simulated_guest import LOAD, rack, shape

from orchestrator.core.measure.shares import host_busy
from orchestrator.hypervisors.simulated.model import truth
from orchestrator.hypervisors.simulated.settings import SimulatedSettings

#: Nothing else on the host, and no chance: what is seen is the truth.
CALM: dict[str, Any] = {
    "cpus": 2,
    "neighbours": 0,
    "gang": False,
    "boot": "1 s",
    "noise": {"within": "0 %", "between": "0 %"},
    "warm-up": {"depth": "0 %"},
}


def test_the_host_is_as_busy_as_the_loops_make_it_and_as_long() -> None:
    made = rack(**CALM, **{"other-load": [{"from": "10 s", "until": "20 s"}, {"from": "15 s", "until": "30 s"}]})
    made.hypervisor.stop(60)
    host = made.sampler(made.host(), "host")
    samples = [host.sample()]
    while made.clock.monotonic() < 40:
        made.clock.sleep(0.5)
        samples.append(host.sample())

    def busy(start_s: float, end_s: float) -> float:
        found = host_busy(samples, start_s, end_s)
        assert found is not None
        return found

    # Half a second at either end lies between two samples.
    assert busy(6, 9.4) == pytest.approx(0, abs=0.01)
    assert busy(10.6, 14.4) == pytest.approx(0.5, abs=0.01)
    assert busy(15.6, 19.4) == pytest.approx(1.0, abs=0.01)
    assert busy(20.6, 29.4) == pytest.approx(0.5, abs=0.01)
    assert busy(30.6, 40) == pytest.approx(0, abs=0.01)
    for earlier, later in pairwise(samples):
        assert all(later.values[name] >= value for name, value in earlier.values.items() if name.endswith("_ticks"))


def test_throughput_and_vcpu_time_follow_the_load_beside_them() -> None:
    """While three loops share two CPUs with it, a vCPU does what it does beside three neighbours, and waits as long."""
    made = rack(**CALM, **{"other-load": [{"from": "30.5 s", "until": "60.5 s", "loops": 3}]})
    process = made.boot(1).start(LOAD)
    began_s = made.clock.monotonic()
    vcpu = []
    while made.clock.monotonic() < 90:
        made.clock.sleep(1 - made.clock.monotonic() % 1 + 1e-3)
        vcpu.append(made.hypervisor.counters())
    printed = [json.loads(line.text) for line in process.lines()]
    done = {round(began_s) + number: line["operations"] for number, line in enumerate(printed, start=1)}
    alone, beside = (truth(SimulatedSettings.model_validate(CALM | {"neighbours": n}), shape(1), 1) for n in (0, 3))
    assert beside.rate < 0.6 * alone.rate
    assert (done[29] - done[15]) / 14 == pytest.approx(alone.rate, rel=0.005)
    assert (done[59] - done[32]) / 27 == pytest.approx(beside.rate, rel=0.005)
    assert (done[85] - done[62]) / 23 == pytest.approx(alone.rate, rel=0.005)
    during = [sample for sample in vcpu if 32 < sample.time_s < 60]
    waited_ns = during[-1].values["vcpu.0.wait_ns"] - during[0].values["vcpu.0.wait_ns"]
    assert waited_ns / 1e9 / (during[-1].time_s - during[0].time_s) == pytest.approx(beside.wait[0], abs=0.01)


def test_a_load_that_begins_while_others_run_is_as_slow_from_the_start() -> None:
    made = rack(**CALM, **{"other-load": [{"until": "1 h", "loops": 3}]})
    process = made.boot(1).start(LOAD)
    made.clock.sleep(20)
    lines = [json.loads(line.text)["operations"] for line in process.lines()]
    beside = truth(SimulatedSettings.model_validate(CALM | {"neighbours": 3}), shape(1), 1)
    assert (lines[-1] - lines[0]) / (len(lines) - 1) == pytest.approx(beside.rate, rel=0.005)


def test_heat_and_throttling_are_shown_where_the_host_has_a_thermometer() -> None:
    hot = [{"from": "5 s", "until": "15 s", "loops": 0, "temperature": "88 C", "throttled": True}]
    made = rack(**CALM, temperature="41.5 C", **{"other-load": hot})
    made.hypervisor.stop(60)
    host = made.sampler(made.host(), "host")
    seen = {}
    for at_s in (6, 14, 20, 25):
        made.clock.sleep(at_s - made.clock.monotonic())
        values = host.sample().values
        seen[at_s] = values["zone0.millicelsius"], values["cpu0.throttles"], values["cpu1.throttles"]
    assert seen == {6: (88_000, 1, 1), 14: (88_000, 9, 9), 20: (41_500, 10, 10), 25: (41_500, 10, 10)}
    bare = rack(**CALM)
    values = bare.sampler(bare.host(), "host").sample().values
    assert not [name for name in values if "celsius" in name or "throttles" in name]


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        ([{"from": "5 s", "until": "5 s"}], "ends before it begins"),
        ([{"from": "5 s"}], "Field required"),
        ([{"until": "5 s", "temperature": "90 C"}], "no thermal zone to show this"),
        ([{"until": "5 s"}, {"until": "5 s", "throttled": True}], "no thermal zone to show this"),
    ],
)
def test_what_is_no_other_load(declared: list[dict[str, Any]], words: str) -> None:
    with pytest.raises(ValidationError) as refused:
        SimulatedSettings.model_validate({"other-load": declared})
    assert words in str(refused.value)
