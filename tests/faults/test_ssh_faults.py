"""What SSH can do to a night: each fault ends its own trial at most, with a reason, and the night goes on."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from nights import STRUCK, Night
from ssh_machines import Machine

from orchestrator.core.design.lab import SshAccess
from orchestrator.core.record.trial import TrialRecord
from orchestrator.hypervisors.here.keys import new_key, public_line
from orchestrator.hypervisors.simulated.shell import SimulatedShell

pytestmark = pytest.mark.real

BEFORE_THE_LOAD_RUNS = ("verify", "deploy", "launch")
WHILE_IT_RUNS = ("warm up", "measure")
NOTICED_WITHIN_S = 30.0


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A real SSH server, which is another machine than the guest."""
    made = Machine(tmp_path_factory.mktemp("machine"))
    yield made
    made.close()


def tries(record: TrialRecord, stage: str) -> int:
    return next(each.attempts for each in record.stages if each.stage == stage)


def seconds(record: TrialRecord, stage: str) -> float:
    return next(each.seconds for each in record.stages if each.stage == stage)


def closed_port(machine: Machine, holder: socket.socket) -> SshAccess:
    """A port that is taken, and on which nothing listens."""
    holder.bind(("127.0.0.1", 0))
    return machine.access(port=holder.getsockname()[1])


# ----------------------------------------------------------------------------------------------------------- logging in


def test_ssh_refused_until_the_limit_costs_the_trial(machine: Machine) -> None:
    night = Night()
    with socket.socket() as holder:
        night.in_place_of_the_guest(closed_port(machine, holder), {STRUCK})
        record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "log in", "guest")
    assert "connection refused: nothing listens there" in record.reason
    assert "in 3 min" in record.reason
    assert tries(record, "log in") > 100


def test_ssh_refused_for_a_while_costs_nothing(machine: Machine, mocker) -> None:
    night = Night()
    with socket.socket() as holder:
        night.in_place_of_the_guest(closed_port(machine, holder), {STRUCK})
        connect, until_s = night._log_in, []

        def refused_at_first(access: SshAccess, *, machine: str, timeout_s: float):
            if night.trial == STRUCK and machine == "guest":
                until_s[:] = until_s or [night.clock.monotonic() + 60]
                if night.clock.monotonic() > until_s[0]:
                    night._real = None
            return connect(access, machine=machine, timeout_s=timeout_s)

        mocker.patch.object(night.experiment.bench.connector, "connect", refused_at_first)
        record = night.struck()
    assert record.outcome == "measured"
    assert 60 < seconds(record, "log in") < 62


def test_ssh_accepted_and_silent_costs_the_trial(machine: Machine) -> None:
    night = Night()
    with socket.create_server(("127.0.0.1", 0)) as listener:
        night.in_place_of_the_guest(machine.access(port=listener.getsockname()[1]), {STRUCK}, real_try_s=0.05)
        record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "log in", "guest")
    assert "accepts connections but said nothing" in record.reason
    assert "still booting, frozen, or not an SSH server" in record.reason
    assert seconds(record, "log in") == pytest.approx(180, abs=1)


def test_a_host_key_that_changes_in_the_middle_of_the_night_is_never_believed(machine: Machine) -> None:
    night = Night()
    other = public_line(new_key()[0])
    night.in_place_of_the_guest(machine.access(**{"host-key": other}), {2, 3})
    records = night.go()
    assert [record.outcome for record in records] == ["measured", "failed", "failed"]
    for record in records[1:]:
        assert (record.failed_stage, record.fault, tries(record, "log in")) == ("log in", "guest", 1)
        assert "HOST KEY CHANGED: expected ssh-ed25519 SHA256:" in record.reason
        assert "Ask who looks after it" in record.reason
        assert seconds(record, "log in") < 1, "waiting does not help, and so nothing waits"


def test_authentication_that_is_lost_in_the_middle_of_the_night(machine: Machine, tmp_path: Path) -> None:
    night = Night()
    (tmp_path / "identity").write_text(new_key()[1])
    night.in_place_of_the_guest(machine.access(identity=str(tmp_path / "identity")), {2, 3})
    records = night.go()
    assert [record.outcome for record in records] == ["measured", "failed", "failed"]
    for record in records[1:]:
        assert (record.failed_stage, record.fault, tries(record, "log in")) == ("log in", "guest", 1)
        assert "login refused for user 'guest'" in record.reason
        assert "see whether one is among the user's authorized keys" in record.reason
        assert seconds(record, "log in") < 1


# ----------------------------------------------------------------------------------------------- dropped in each stage


@pytest.mark.parametrize("stage", BEFORE_THE_LOAD_RUNS)
def test_ssh_dropped_before_the_load_runs_is_one_new_login_and_the_stage_again(stage: str) -> None:
    night = Night()
    night.at(stage, night.drop)
    record = night.struck()
    assert record.outcome == "measured"
    assert [each.stage for each in record.stages if each.attempts > 1 and each.stage != "log in"] == [stage]
    assert tries(record, stage) == 2


@pytest.mark.parametrize("stage", WHILE_IT_RUNS)
def test_ssh_dropped_while_the_load_runs_costs_the_trial(stage: str) -> None:
    night = Night(long=True)
    night.at(stage, night.drop)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", stage, "guest")
    assert "the connection was lost" in record.reason


def test_ssh_dropped_as_the_trial_is_stopped_leaves_its_measurement_standing() -> None:
    night = Night()
    night.at("stop", night.drop)
    assert night.struck().outcome == "measured"


def test_a_load_that_was_started_on_a_dropped_line_is_not_started_beside_itself(mocker) -> None:
    night = Night()
    launch, launched = night.world.launch, []

    def dropped_after(argv, threads):
        load = launch(argv, threads)
        launched.append(night.trial)
        if night.trial == STRUCK:
            night.drop()
        return load

    mocker.patch.object(night.world, "launch", dropped_after)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "launch", "guest")
    assert "the connection was lost" in record.reason
    assert "what had been started may run on there, and is not started beside itself" in record.reason
    assert launched.count(STRUCK) == 1


def test_a_preparation_on_a_dropped_line_is_not_started_beside_itself(mocker) -> None:
    night = Night()
    run, prepared = SimulatedShell.run, []

    def dropped_during(shell, argv, **more):
        if "prepare" in argv:
            prepared.append(night.trial)
            if night.trial == STRUCK:
                night.drop()
        return run(shell, argv, **more)

    mocker.patch.object(SimulatedShell, "run", dropped_during)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "deploy", "guest")
    assert "the connection was lost" in record.reason
    assert "is not started beside itself" in record.reason
    assert prepared == [1, 2, 3]


@pytest.mark.parametrize("stage", BEFORE_THE_LOAD_RUNS)
def test_ssh_dropped_for_good_is_given_up_soon(stage: str) -> None:
    night = Night()

    def drop_for_good() -> None:
        night.drop()
        night.world.answers_from_s = float("inf")

    night.at(stage, drop_for_good)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", stage, "guest")
    assert "did not answer within 10 s" in record.reason
    assert seconds(record, stage) < NOTICED_WITHIN_S


@pytest.mark.parametrize("stage", ["deploy", "launch"])
def test_a_guest_that_booted_anew_behind_a_dropped_line_is_not_measured(stage: str) -> None:
    night = Night()

    def reboot() -> None:
        night.world.power_on()
        night.world.answers_from_s = night.clock.monotonic()

    night.at(stage, reboot)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", stage, "guest")
    assert "the guest has booted anew since" in record.reason


@pytest.mark.parametrize("stage", [*BEFORE_THE_LOAD_RUNS, *WHILE_IT_RUNS])
def test_a_guest_that_freezes_is_noticed_in_every_stage(stage: str) -> None:
    """The real traffic that this rests on is shown in tests/adapters/test_ssh_keepalive.py."""
    night = Night(long=True)
    frozen_s: list[float] = []

    def freeze() -> None:
        frozen_s.append(night.clock.monotonic())
        night.freeze()
        night.at("stop", lambda: frozen_s.append(night.clock.monotonic()))

    night.at(stage, freeze)
    record = night.struck()
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", stage, "guest")
    assert "its vCPUs ran" in record.reason, "the hypervisor was asked what it knows"
    assert frozen_s[1] - frozen_s[0] < NOTICED_WITHIN_S
