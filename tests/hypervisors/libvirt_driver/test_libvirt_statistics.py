"""Counters from the bulk statistics, as recorded from QEMU 7.2 under libvirt 9.0, and states in words."""

from __future__ import annotations

import pytest

libvirt = pytest.importorskip("libvirt")

from libvirt_guest import bound, outside

from orchestrator.errors import GuestFault, HostFault
from orchestrator.hypervisors.libvirt.domain import Domain
from orchestrator.hypervisors.libvirt.standing import Standing
from orchestrator.hypervisors.libvirt.statistics import COUNTER_STEP_S, vcpu_counters

#: Two vCPUs that compete with other load, some seconds after power-on.
BUSY: dict[str, object] = {
    "state.state": 1,
    "state.reason": 1,
    "vcpu.current": 2,
    "vcpu.maximum": 2,
    "vcpu.0.state": 1,
    "vcpu.0.time": 2150000000,
    "vcpu.0.wait": 0,
    "vcpu.0.delay": 1662556095,
    "vcpu.1.state": 1,
    "vcpu.1.time": 1760000000,
    "vcpu.1.wait": 0,
    "vcpu.1.delay": 2159503533,
}
#: The same vCPUs by their threads' schedstat, read just after: run, run delay, turns.
SCHEDSTAT = {0: (2170257164, 1669337302, 2994), 1: (1783733182, 2164356687, 3310)}
OFF: dict[str, object] = {"state.state": 5, "state.reason": 2, "vcpu.current": 1, "vcpu.maximum": 2}


def test_run_is_time_and_wait_is_delay() -> None:
    assert vcpu_counters(BUSY) == {
        "vcpu.0.run_ns": 2150000000,
        "vcpu.0.wait_ns": 1662556095,
        "vcpu.1.run_ns": 1760000000,
        "vcpu.1.wait_ns": 2159503533,
    }


def test_the_figures_are_those_of_the_kernel() -> None:
    # Linux kernel documentation, scheduler/sched-stats: schedstat's fields are ns on a CPU, ns on a run queue, turns.
    values = vcpu_counters(BUSY)
    for vcpu, (run_ns, wait_ns, _turns) in SCHEDSTAT.items():
        assert 0 <= run_ns - values[f"vcpu.{vcpu}.run_ns"] < (COUNTER_STEP_S + 0.010) * 1e9
        assert 0 <= wait_ns - values[f"vcpu.{vcpu}.wait_ns"] < 0.020 * 1e9


def test_vcpus_that_are_not_plugged_in_have_no_counters() -> None:
    live = {**BUSY, "vcpu.maximum": 4, "vcpu.10.time": 10000000, "vcpu.10.delay": 5}
    assert list(vcpu_counters({key: v for key, v in live.items() if not key.startswith("vcpu.1.")})) == [
        "vcpu.0.run_ns",
        "vcpu.10.run_ns",
        "vcpu.0.wait_ns",
        "vcpu.10.wait_ns",
    ]


def test_a_wait_of_nothing_at_all_means_that_the_host_does_not_count_it() -> None:
    silent = {key: 0 if key.endswith(".delay") else value for key, value in BUSY.items()}
    assert set(vcpu_counters(silent)) == {"vcpu.0.run_ns", "vcpu.1.run_ns"}
    assert set(vcpu_counters({key: v for key, v in BUSY.items() if not key.endswith(".delay")})) == {
        "vcpu.0.run_ns",
        "vcpu.1.run_ns",
    }


def test_a_vcpu_that_never_waited_beside_one_that_did_has_a_wait_of_0() -> None:
    assert vcpu_counters({**BUSY, "vcpu.1.delay": 0})["vcpu.1.wait_ns"] == 0


def test_a_guest_that_is_off_has_no_counters() -> None:
    assert vcpu_counters(OFF) == {}
    assert vcpu_counters({}) == {}


# ------------------------------------------------------------------------------------------------------- the sample


def sampled(found: dict[str, object], monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    monkeypatch.setattr(Domain, "statistics", lambda _self, _clock: (found, 100.0, 100.004))
    return bound().counters()


def test_a_sample_is_of_the_middle_of_the_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    sample = sampled(BUSY, monkeypatch)
    assert sample.time_s == pytest.approx(100.002)
    assert sample.source_ns == 100_002_000_000
    assert sample.uncertainty_s == pytest.approx(0.002 + 0.020)
    assert sample.values == vcpu_counters(BUSY)


@pytest.mark.parametrize(
    ("found", "kind", "says"),
    [
        (OFF, GuestFault, "it was switched off from outside"),
        ({**BUSY, "state.state": 3, "state.reason": 1}, GuestFault, "it is paused: somebody has suspended it"),
        ({**BUSY, "state.state": 3, "state.reason": 5}, GuestFault, "paused by an I/O error"),
        ({"state.state": 1, "state.reason": 1}, HostFault, "does not count"),
        ({}, HostFault, "does not count"),
    ],
)
def test_a_guest_that_does_not_run_is_never_taken_for_an_idle_one(
    found: dict[str, object], kind: type[Exception], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(kind, match=says):
        sampled(found, monkeypatch)


def test_statistics_are_asked_for_without_waiting_for_other_jobs() -> None:
    with outside() as host:
        host.domain.create()
        made = bound()
        with pytest.raises(HostFault, match="does not count"):
            made.counters()
        made.close()


# ------------------------------------------------------------------------------------------------------- the states


@pytest.mark.parametrize("state", [libvirt.VIR_DOMAIN_RUNNING, libvirt.VIR_DOMAIN_BLOCKED, libvirt.VIR_DOMAIN_NOSTATE])
def test_states_in_which_a_guest_works(state: int) -> None:
    standing = Standing(state, 1)
    assert (standing.works, standing.is_off, standing.can_shut_down, standing.trouble) == (True, False, True, None)


STATES = [
    # state, reason, words, whether it can still shut down in order
    (3, 1, "somebody has suspended it", False),
    (3, 5, "I/O error", False),
    (3, 6, "watchdog", False),
    (3, 10, "kernel has crashed", False),
    (3, 11, "only being started", True),
    (3, 99, "it is paused", False),
    (4, 0, "shutting down", True),
    (5, 1, "shut down", False),
    (5, 2, "switched off from outside", False),
    (5, 3, "has crashed", False),
    (5, 6, "could not start", False),
    (5, 0, "it is off", False),
    (6, 1, "kernel has crashed", False),
    (7, 0, "sleep", False),
    (42, 0, "state 42", False),
]


@pytest.mark.parametrize(("state", "reason", "words", "can_shut_down"), STATES)
def test_other_states_have_words(state: int, reason: int, words: str, can_shut_down: bool) -> None:
    standing = Standing(state, reason)
    assert words in str(standing.trouble)
    assert standing.can_shut_down == can_shut_down
    assert standing.is_off == (state == libvirt.VIR_DOMAIN_SHUTOFF)
    assert not standing.works


def test_every_reason_that_libvirt_knows_has_words_of_its_own() -> None:
    for prefix, state in (("VIR_DOMAIN_PAUSED_", 3), ("VIR_DOMAIN_SHUTOFF_", 5)):
        reasons = {v for name, v in vars(libvirt).items() if name.startswith(prefix) and not name.endswith("_LAST")}
        plain = Standing(state, 999).trouble
        told = {reason: Standing(state, reason).trouble for reason in reasons if reason != 0}
        assert plain not in {text for reason, text in told.items() if reason != PAUSED_API_ERROR}, told


#: Newer than the library that the driver asks for.
PAUSED_API_ERROR = 14
