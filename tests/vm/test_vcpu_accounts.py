"""The assertion that real guests are held to finds counters that are wrong; needs no guests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import pytest
from vcpu_accounts import BUSY, HALF, IDLE, Account, insist_accounts, insist_both, other_load

from orchestrator.core.measure.samples import Sample, Value

_SECOND, _TICK = 10**9, 10**7
#: Run and wait within a second, in ns, of vCPUs in the three states, as measured on real guests.
LOADS: dict[str, tuple[int, int]] = {
    "idle": (3 * 10**6, 10**5),
    "busy": (998 * 10**6, 15 * 10**5),
    "half": (495 * 10**6, 503 * 10**6),
}
ACCOUNTS: dict[str, Account] = {"idle": IDLE, "busy": BUSY, "half": HALF}
Breaks = Callable[[dict[str, Value]], Mapping[str, Value]]


def series(*loads: str, late_s: float = 0.0, step_ns: int = 1) -> list[Sample]:
    """Six samples, one a second; run cut down to whole steps."""
    samples = []
    for second in range(6):
        values: dict[str, Value] = {}
        for vcpu, load in enumerate(loads):
            run, wait = (grown * second for grown in LOADS[load])
            values[f"vcpu.{vcpu}.run_ns"] = (7 * _SECOND + run) // step_ns * step_ns
            values[f"vcpu.{vcpu}.wait_ns"] = 3 * _SECOND + wait
        samples.append(Sample(100 + second + late_s, 0.022, (100 + second) * _SECOND, values))
    return samples


def broken(samples: list[Sample], breaks: Breaks) -> list[Sample]:
    return [replace(sample, values=breaks(dict(sample.values))) for sample in samples]


def scaled(name: str, factor: float) -> Breaks:
    return lambda values: {key: int(value * (factor if key.endswith(name) else 1)) for key, value in values.items()}


def swapped(values: dict[str, Value]) -> Mapping[str, Value]:
    return {key.translate(str.maketrans("01", "10")): value for key, value in values.items()}


def exchanged(values: dict[str, Value]) -> Mapping[str, Value]:
    """Run told as wait, and wait as run."""
    return {
        key.replace("run", "_").replace("wait", "run").replace("_", "wait", 1)
        if "run" in key
        else key.replace("wait", "run"): value
        for key, value in values.items()
    }


def summed(values: dict[str, Value]) -> Mapping[str, Value]:
    """Every vCPU told what all of them ran."""
    run = sum(value for key, value in values.items() if key.endswith("run_ns"))
    return {key: run if key.endswith("run_ns") else value for key, value in values.items()}


def lost(values: dict[str, Value]) -> Mapping[str, Value]:
    return {key: value for key, value in values.items() if not key.startswith("vcpu.1.")}


@pytest.mark.parametrize(
    "loads", [("idle",), ("busy",), ("half",), ("idle", "busy"), ("busy", "busy"), ("idle", "half")]
)
def test_counters_that_are_right_are_accepted(loads: tuple[str, ...]) -> None:
    told, seen = series(*loads, step_ns=_TICK), series(*loads, late_s=0.01)
    insist_both(told, seen, {vcpu: ACCOUNTS[load] for vcpu, load in enumerate(loads)})


@pytest.mark.parametrize(
    ("what", "loads", "breaks"),
    [
        ("wait halved", ("half",), scaled("wait_ns", 0.5)),
        ("wait in microseconds", ("half",), scaled("wait_ns", 1e-3)),
        ("wait always 0", ("half",), scaled("wait_ns", 0.0)),
        ("wait doubled", ("half",), scaled("wait_ns", 2.0)),
        ("run doubled", ("half",), scaled("run_ns", 2.0)),
        ("run doubled", ("busy",), scaled("run_ns", 2.0)),
        ("run halved", ("busy",), scaled("run_ns", 0.5)),
        ("run in microseconds", ("busy",), scaled("run_ns", 1e-3)),
        ("run a tenth short, as without system time", ("busy",), scaled("run_ns", 0.9)),
        ("vCPUs swapped", ("idle", "busy"), swapped),
        ("vCPUs swapped", ("idle", "half"), swapped),
        ("run and wait exchanged", ("busy",), exchanged),
        ("all vCPUs in one", ("idle", "busy"), summed),
        ("all vCPUs in one", ("busy", "busy"), summed),
        ("a vCPU lost", ("busy", "busy"), lost),
    ],
)
def test_a_broken_counter_is_found(what: str, loads: tuple[str, ...], breaks: Breaks) -> None:
    quiet = 0.05
    expected = {vcpu: ACCOUNTS[load].beside(quiet) for vcpu, load in enumerate(loads)}
    with pytest.raises(AssertionError, match="vCPU"):
        insist_accounts(broken(series(*loads), breaks), expected, what)


@pytest.mark.parametrize(
    ("load", "breaks"),
    [("busy", scaled("run_ns", 0.9)), ("half", scaled("run_ns", 0.9)), ("half", scaled("wait_ns", 0.9))],
)
def test_other_load_excuses_wait_for_run_but_no_time_that_is_lost(load: str, breaks: Breaks) -> None:
    with pytest.raises(AssertionError, match="vCPU"):
        insist_accounts(broken(series(load), breaks), {0: ACCOUNTS[load].beside(1.0)}, "a loaded host")


def test_other_load_is_what_the_host_used_beside_the_guests() -> None:
    """Two CPUs, 100 ticks a second: 150 busy of 200, of which vCPUs ran 49.5."""
    ticks = {"user": 150, "idle": 50}
    host = [
        replace(
            sample,
            values={**sample.values, "cpu0.user_ticks": 0, "cpu1.user_ticks": 0}
            | {f"cpu.{name}_ticks": second * count for name, count in ticks.items()},
        )
        for second, sample in enumerate(series("half"))
    ]
    assert other_load(host, series("half")) == pytest.approx(1.5 - 0.495)
    assert other_load(host, series("busy"), series("busy")) == 0


@pytest.mark.parametrize("breaks", [scaled("wait_ns", 0.9), scaled("run_ns", 1.1), swapped])
def test_the_second_look_finds_what_the_shares_alone_would_let_pass(breaks: Breaks) -> None:
    """Counters that are wrong by a tenth, or of the other vCPU, where either would do: the threads tell."""
    loads = ("half", "half") if breaks is not swapped else ("busy", "half")
    told, seen = broken(series(*loads), breaks), series(*loads, late_s=0.01)
    anything = Account(run=(0, 2), wait=(0, 2), idle=(-2, 1))
    with pytest.raises(AssertionError, match="not those of the vCPUs' threads"):
        insist_both(told, seen, {0: anything, 1: anything})
