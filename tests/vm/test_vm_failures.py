"""What can go wrong with a real guest: each is named, costs one trial, and the guest comes back as it was.

Two lanes run beside each other, one on each guest: none of this is about time.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest
from vm_runs import ONE, TWO, Outcome, Witness, plan, run, workload
from vm_sandbox import BOOKINGS, TIMETABLE, Sandbox

from orchestrator.engine import stages

pytestmark = pytest.mark.vm

Outcomes = dict[str, Outcome]
LIVE = {**TWO, "name": "two-live", "reshape": "live"}
#: Long enough that a guest can be lost in the middle of it.
MEASURE = {
    "every": "1 s",
    "warm-up": {"at-least": "2 s", "at-most": "8 s"},
    "steady": {"at-least": "6 s", "at-most": "6 s"},
}


# ------------------------------------------------------------------------------------------------------ the lanes


def even(name: str) -> dict[str, object]:
    """A load that says the same each second: under emulation a real one swings, and might never be measured."""
    command = ["sh", "-c", "while sleep 0.25; do echo 1000 bookings; done"]
    reader = {"pattern": "^(?P<value>[0-9]+) bookings$", "figure": "rate", "per": "second"}
    return {"name": name, "threads": [1], "command": command, "reader": reader}


def lost_guests(sandbox: Sandbox, place: Path) -> Outcomes:
    """Guests that are lost while they are measured; at the end one that somebody has switched on between trials."""
    guest = BOOKINGS
    deeds: dict[tuple[str, str], Callable[[], object]] = {
        ("destroyed", "measure"): lambda: sandbox.domain(guest).destroy(),
        ("killed", "warm up"): lambda: os.kill(sandbox.qemu(guest), signal.SIGKILL),
        ("frozen", "warm up"): lambda: sandbox.domain(guest).suspend(),
        ("panicked", "warm up"): lambda: panic(sandbox, guest),
        ("gone", "log in"): lambda: sandbox.domain(guest).destroy(),
        ("switched-on", "trial"): lambda: sandbox.domain(guest).create(),
    }
    names = [name for name, _stage in deeds]
    cells = [{"shape": "two-live" if name == "switched-on" else "one", "workload": name} for name in names]
    declared = plan(
        guest,
        shapes=[ONE, LIVE],
        workloads=[even(name) if name == "destroyed" else workload(name) for name in names],
        measure=MEASURE,
        design={"blocks": 1, "order": "as-written", "only": cells},
        **{"give-up-after": len(deeds)},
    )
    return {"lost": run(sandbox, declared, place / "lost", Witness(deeds))}


def other_shapes(sandbox: Sandbox, place: Path) -> Outcomes:
    """A guest whose kernel takes one CPU and some of the memory, whatever it is given."""
    sandbox.with_kernel_arguments(TIMETABLE, "nr_cpus=1 mem=192M")
    shapes = [{**shape, "memory": "512 MiB"} for shape in (TWO, LIVE)]
    declared = plan(
        TIMETABLE,
        shapes=shapes,
        workloads=[workload("booted"), workload("plugged")],
        design={
            "blocks": 1,
            "only": [{"shape": "two", "workload": "booted"}, {"shape": "two-live", "workload": "plugged"}],
        },
    )
    return {"other shapes": run(sandbox, declared, place / "shapes")}


def disturbed_guests(sandbox: Sandbox, place: Path) -> Outcomes:
    """A guest that others have their hands on; it is on before, and at the end it is again."""
    guest, taken = TIMETABLE, list[socket.socket]()
    deeds: dict[tuple[str, str], Callable[[], object]] = {
        ("cut-off", "warm up"): lambda: sandbox.tell_qemu(guest, "set_link", name="login", up=False),
        ("port-taken", "start"): lambda: taken.append(socket.create_server(("127.0.0.1", sandbox.port(guest)))),
        ("port-taken", "stop"): lambda: taken.pop().close(),
        ("started", "start"): lambda: sandbox.domain(guest).create(),
    }
    names = ["cut-off", "port-taken", "started"]
    sandbox.domain(guest).create()
    declared = plan(guest, workloads=[workload(name) for name in names])
    outcome = run(sandbox, declared, place / "disturbed", Witness(deeds))
    sandbox.switch_off(guest)
    return {"disturbed": outcome}


def closed_guests(sandbox: Sandbox, place: Path) -> Outcomes:
    """A guest that does not take the lab's key, and a lab that has another guest's host key."""
    key = place / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    lab = sandbox.lab()
    mine, other = (lab.guests[guest].ssh for guest in (TIMETABLE, BOOKINGS))
    assert mine is not None
    assert other is not None
    assert mine.identity is not None
    assert mine.host_key is not None
    assert other.host_key is not None
    labs = {
        "stranger": sandbox.lab_text.replace(mine.identity, str(key)),
        "other host key": sandbox.lab_text.replace(mine.host_key, other.host_key),
    }
    return {name: run(sandbox, plan(TIMETABLE), place / name, lab=sandbox.lab(text)) for name, text in labs.items()}


def panic(sandbox: Sandbox, guest: str) -> None:
    """Have its kernel panic (kernel documentation, admin-guide/sysrq)."""
    shell = sandbox.log_in(guest)
    try:
        shell.start(["sh", "-c", "echo c > /proc/sysrq-trigger"], end_with_input=False).wait_line(1)
    finally:
        shell.close()


@pytest.fixture(scope="module")
def outcomes(sandbox: Sandbox, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Outcomes]:
    """What became of all these runs."""
    place = tmp_path_factory.mktemp("failures")

    def lane(*runs: Callable[[Sandbox, Path], Outcomes]) -> Outcomes:
        return {name: outcome for one in runs for name, outcome in one(sandbox, place).items()}

    with sandbox.kept(), ThreadPoolExecutor(2) as pool:
        lanes = [pool.submit(lane, lost_guests), pool.submit(lane, disturbed_guests, closed_guests, other_shapes)]
        yield {name: outcome for finished in lanes for name, outcome in finished.result().items()}


# ------------------------------------------------------------------------------------------------------ what is told


class Told(NamedTuple):
    """What the record of a failed trial says."""

    run: str
    trial: str
    stage: str
    fault: str
    says: str


@pytest.mark.parametrize(
    "told",
    [
        Told("lost", "destroyed", "measure", "guest", "it was switched off from outside"),
        Told("lost", "killed", "warm up", "guest", "its process on the host was killed"),
        Told("lost", "frozen", "warm up", "guest", "it is paused: somebody has suspended it"),
        Told("lost", "panicked", "warm up", "guest", "its kernel panicked"),
        Told("lost", "gone", "log in", "guest", "it was switched off from outside"),
        Told("disturbed", "cut-off", "warm up", "guest", "or its network is cut"),
        Told("disturbed", "port-taken", "start", "host", "a port of the host that the guest forwards is in use"),
        Told("disturbed", "started", "start", "host", "timetable-1 is on already; leave the guest to this run alone"),
        Told("other shapes", "booted", "verify", "guest", "1 CPU is online where 2 were asked for"),
        Told("other shapes", "booted", "verify", "guest", "MiB of memory where 512 MiB were asked for"),
        Told("other shapes", "plugged", "plug", "guest", "1 of 2 vCPUs came online"),
        Told("stranger", "work", "log in", "guest", "refused"),
        Told("other host key", "work", "log in", "guest", "HOST KEY CHANGED"),
    ],
    ids=lambda told: f"{told.trial}-{told.run}".replace(" ", "-"),
)
def test_a_failure_is_named(outcomes: Outcomes, told: Told) -> None:
    record = outcomes[told.run].trials[told.trial]
    print(record.reason)
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", told.stage, told.fault), record.reason
    assert told.says in record.reason


def test_the_run_goes_on_after_failures(outcomes: Outcomes) -> None:
    for outcome in outcomes.values():
        assert outcome.stored.state == "done"
        assert len(outcome.trials) == len(outcome.stored.record.trials)


def test_a_guest_that_somebody_has_switched_on_between_trials_is_measured_with_vcpus_that_are_plugged_in(
    outcomes: Outcomes,
) -> None:
    record = list(outcomes["lost"].trials.values())[-1]
    assert (record.workload, record.shape) == ("switched-on", "two-live")
    assert record.outcome in {"measured", "unsteady"}, record.reason
    assert record.summary is not None
    assert [check.state for check in record.summary.checks if check.name == "vcpu threads"] == ["ok"]
    assert record.seen_inside["online"] == "0-1"
    assert [stage.stage for stage in record.stages] == [
        stage.name for stage in stages.STAGES if stage not in {stages.QUIET, stages.NEIGHBOURS}
    ]


def test_a_guest_that_has_gone_is_not_waited_for(outcomes: Outcomes) -> None:
    times = {stage.stage: stage.seconds for stage in outcomes["lost"].trials["gone"].stages}
    assert times["log in"] < 5


def test_no_trial_was_measured_in_the_guest_of_another(outcomes: Outcomes) -> None:
    seen = [trial.seen_inside for outcome in outcomes.values() for trial in outcome.trials.values()]
    boots = [inside["boot_id"] for inside in seen if inside]
    assert len(boots) == len(set(boots)) == 6


def test_the_definition_comes_back_byte_for_byte(outcomes: Outcomes) -> None:
    for name, outcome in outcomes.items():
        assert outcome.after == outcome.before, name


def test_the_power_state_comes_back(outcomes: Outcomes) -> None:
    assert {name for name, outcome in outcomes.items() if outcome.was_on} == {"disturbed"}


def test_a_guest_that_never_boots_is_not_waited_for_without_end(
    sandbox: Sandbox, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """40 MiB are too little for its kernel: the hypervisor says that it runs, and its port is open."""
    for name, limit_s in (("LOG_IN", 8.0), ("STOP", 1.0)):
        monkeypatch.setattr(stages, name, replace(getattr(stages, name), limit_s=limit_s))
    outcome = run(sandbox, plan(shapes=[{**ONE, "memory": "40 MiB"}]), store)
    record = outcome.trials["work"]
    assert (record.outcome, record.failed_stage) == ("failed", "log in")
    assert "said nothing" in record.reason
    assert "the hypervisor says that it runs" in record.reason
    assert sum(stage.seconds for stage in record.stages) < 30
    assert outcome.after == outcome.before
