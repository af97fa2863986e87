"""The simulated lab through the ports that the engine uses: counters, clocks, output, and every scripted fault."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from time import process_time

import pytest
from pydantic import ValidationError

from orchestrator.adapters.environment import fingerprint
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.clock import best_offset
from orchestrator.engine.inside import INSIDE_SCRIPT, look_inside
from orchestrator.engine.ports import MAX_LINE, Connector, Hypervisor, Process, Sampler, SamplerFactory, Shell
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault, HostFault, RestoreError, StageError, WorkloadFault
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.hypervisors.simulated.model import truth
from orchestrator.hypervisors.simulated.settings import SimulatedSettings

LOAD = ("python3", "bookings.py", "run", "--threads", "1")
ACCESS = SshAccess(address="guest.simulated.example", user="bench")


@dataclass
class Rack:
    """A simulated lab, opened the way a run opens it."""

    hypervisor: Hypervisor
    clock: VirtualClock
    connector: Connector
    samplers: SamplerFactory
    settings: SimulatedSettings
    skip: Callable[[str, Sequence[str] | None], None] | None

    def reshape(self, wanted: Shape) -> None:
        self.hypervisor.reshape(wanted, self.hypervisor.save())

    def boot(self, vcpus: int = 2, name: str = "") -> Shell:
        self.hypervisor.stop(60)
        self.reshape(shape(vcpus, name=name or f"v{vcpus}"))
        self.hypervisor.start()
        self.clock.sleep(self.settings.boot)
        return self.connector.connect(self.hypervisor.guest_access(), machine="guest", timeout_s=5)

    def sampler(self, shell: Shell, machine: str = "guest") -> Sampler:
        return self.samplers.open(shell, machine=machine)

    def host(self) -> Shell:
        access = self.hypervisor.host_access()
        assert access is not None
        return self.connector.connect(access, machine="host", timeout_s=5)


def shape(vcpus: int, memory: str = "1 GiB", name: str = "any", **more: object) -> Shape:
    return Shape.model_validate({"name": name, "vcpus": vcpus, "memory": memory, **more})


def rack(*, force_off: bool = False, **declared: object) -> Rack:
    lab = Lab.model_validate(
        {
            "hosts": {"rack-a": {"hypervisor": "simulated", "with": declared}},
            "guests": {"bookings-1": {"host": "rack-a", "may-power-cycle": True, "force-off": force_off}},
        }
    )
    equipment = SimulatedDriver().open("bookings-1", lab, VirtualClock(), SshConnector(VirtualClock()))
    assert isinstance(equipment.clock, VirtualClock)
    assert equipment.connector is not None
    assert equipment.samplers is not None
    settings = SimulatedSettings.model_validate(declared)
    return Rack(
        equipment.hypervisor, equipment.clock, equipment.connector, equipment.samplers, settings, equipment.skip
    )


def quiet(**declared: object) -> dict[str, object]:
    """Settings without any chance and without a warm-up."""
    still = {"noise": {"within": "0 %", "between": "0 %"}, "warm-up": {"time-constant": "1 s", "depth": "0 %"}}
    return {**still, **declared}


def counts(process: Process) -> list[int]:
    return [json.loads(line.text)["operations"] for line in process.lines()]


# ------------------------------------------------------------------------------------------------------- the lab


def test_it_says_that_it_is_simulated() -> None:
    described = rack().hypervisor.describe()
    assert described.kind == "simulated guest"
    assert any("no" in remark and "machine" in remark for remark in described.remarks)


def test_an_empty_with_is_a_whole_lab() -> None:
    assert SimulatedDriver.settings.model_validate({}) == SimulatedSettings()


@pytest.mark.parametrize(
    "declared",
    [
        {"cpu": 2},
        {"cpus": 0},
        {"rate": "fast"},
        {"rate": math.inf},
        {"rate": True},
        {"boot": 20},
        {"noise": {"within": 0.02}},
        {"noise": {"correlation": "100 %"}},
        {"faults": [{"kind": "explodes", "trial": 1}]},
        {"faults": [{"kind": "reboots"}]},
        {"faults": [{"kind": "reboots", "trial": 1, "every": 2}]},
    ],
)
def test_wrong_settings_are_refused(declared: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        SimulatedSettings.model_validate(declared)


@pytest.mark.parametrize(
    ("fault", "struck"),
    [({"trial": 3}, [3]), ({"every": 2}, [2, 4, 6]), ({"after": 4}, [5, 6]), ({"after": 0}, [1, 2, 3, 4, 5, 6])],
)
def test_faults_strike_the_trials_they_name(fault: dict[str, int], struck: list[int]) -> None:
    lab = rack(faults=[{"kind": "refuses-start", "attempts": 1, **fault}])
    refused = []
    for trial in range(1, 7):
        lab.hypervisor.stop(60)
        lab.reshape(shape(1))
        lab.reshape(shape(2))  # trying again is the same trial
        try:
            lab.hypervisor.start()
        except HostFault:
            refused.append(trial)
            lab.hypervisor.start()  # the second attempt passes
    assert refused == struck


# ------------------------------------------------------------------------------------------------------ the truth


@pytest.mark.parametrize(("vcpus", "threads"), [(1, 1), (2, 1), (2, 2), (2, 5)])
def test_counters_are_the_truth(vcpus: int, threads: int) -> None:
    lab = rack(busy="70 %")
    shell = lab.boot(vcpus)
    shell.start(("load", str(threads)))
    first = lab.hypervisor.counters()
    lab.clock.sleep(100)
    second = lab.hypervisor.counters()
    wall_ns = second.source_ns - first.source_ns
    assert wall_ns / 1e9 == pytest.approx(second.time_s - first.time_s, abs=1e-6)
    expected = truth(lab.settings, shape(vcpus), threads)
    for vcpu in range(vcpus):
        run_ns, wait_ns = (
            second.values[f"vcpu.{vcpu}.{k}"] - first.values[f"vcpu.{vcpu}.{k}"] for k in ("run_ns", "wait_ns")
        )
        assert run_ns / wall_ns == pytest.approx(expected.run[vcpu], abs=1e-6)
        assert wait_ns / wall_ns == pytest.approx(expected.wait[vcpu], abs=1e-6)
        assert run_ns + wait_ns <= wall_ns + 2


def test_throughput_is_the_truth() -> None:
    lab = rack(**quiet())
    process = lab.boot(2).start(LOAD)
    lab.clock.sleep(100.5)
    assert counts(process)[-1] == int(100 * truth(lab.settings, shape(2), 1).rate)


def test_steal_in_the_guest_is_wait_on_the_host() -> None:
    """Kernel field meanings: steal is time the guest's CPU was runnable and the host ran something else (proc.rst)."""
    lab = rack(gang=False, neighbours=4)
    shell = lab.boot(2)
    sampler = lab.sampler(shell)
    shell.start(("load", "2"))
    start_vcpu, start = lab.hypervisor.counters(), sampler.sample()
    lab.clock.sleep(500)
    vcpu, end = lab.hypervisor.counters(), sampler.sample()
    for n in range(2):
        wait_s = (vcpu.values[f"vcpu.{n}.wait_ns"] - start_vcpu.values[f"vcpu.{n}.wait_ns"]) / 1e9
        steal_s = (end.values[f"cpu{n}.steal_ticks"] - start.values[f"cpu{n}.steal_ticks"]) / end.values["ticks_per_s"]
        assert steal_s == pytest.approx(wait_s, abs=0.03)
        ticks = sum(
            end.values[f"cpu{n}.{f}_ticks"] - start.values[f"cpu{n}.{f}_ticks"] for f in ("user", "idle", "steal")
        )
        assert ticks / 100 == pytest.approx(end.time_s - start.time_s, abs=0.03)
    assert end.values["cpu.steal_ticks"] == pytest.approx(
        end.values["cpu0.steal_ticks"] + end.values["cpu1.steal_ticks"], abs=2
    )


def test_the_host_sees_guest_and_neighbours() -> None:
    lab = rack(gang=False, cpus=4, neighbours=1)
    shell, sampler = lab.boot(2), lab.sampler(lab.host(), "host")
    shell.start(("load", "2"))
    start = sampler.sample()
    lab.clock.sleep(1000)
    end = sampler.sample()
    grown = {key: end.values[key] - start.values[key] for key in end.values}
    assert grown["cpu.user_ticks"] == pytest.approx(3 * 100_000, rel=1e-3)
    assert grown["cpu.guest_ticks"] == pytest.approx(2 * 100_000, rel=1e-3)
    assert grown["cpu.idle_ticks"] == pytest.approx(1 * 100_000, rel=1e-3)
    assert end.values["load.1min"] == pytest.approx(3, abs=0.01)
    assert "cpu3.idle_ticks" in end.values
    assert "cpu4.idle_ticks" not in end.values


def night(order: list[int], *, done: int = 0) -> dict[tuple[int, int], list[int]]:
    """What each of two replicates of each shape printed; with ``done``, of a run that is resumed after so many."""
    lab, seen = rack(), {}
    trials = [(replicate, vcpus) for replicate in (1, 2) for vcpus in order]
    for _, vcpus in trials[:done]:
        assert lab.skip is not None
        lab.skip(f"v{vcpus}", LOAD)
    for replicate, vcpus in trials[done:]:
        process = lab.boot(vcpus).start(LOAD)
        lab.clock.sleep(30)
        seen[vcpus, replicate] = counts(process)
    return seen


def test_the_same_plan_gives_the_same_numbers_in_any_order() -> None:
    assert night([1, 2]) == night([2, 1])
    assert night([1, 2])[1, 1] != night([1, 2])[1, 2]


def test_a_resumed_run_gives_the_numbers_of_one_that_was_not_interrupted() -> None:
    whole = night([1, 2])
    resumed = night([1, 2], done=3)
    assert resumed == {(2, 2): whole[2, 2]}


def test_faults_are_counted_on_in_a_resumed_run() -> None:
    lab = rack(faults=[{"kind": "refuses-start", "trial": 2}], defined={"running": False})
    assert lab.skip is not None
    lab.skip("v1", None)
    lab.reshape(shape(1))
    with pytest.raises(HostFault, match="did not start"):
        lab.hypervisor.start()


# ------------------------------------------------------------------------------------------------------ the clocks


@pytest.mark.parametrize("fast", ["0 %", "0.2 %"])
def test_exchanges_give_the_true_offset(fast: str) -> None:
    lab = rack(**{"guest-clock": {"offset": "3 s", "fast": fast}})
    shell = lab.boot()
    up_s = lab.clock.monotonic()
    sampler = lab.sampler(shell)
    found = best_offset([sampler.exchange() for _ in range(20)])
    powered_on_s = up_s - lab.settings.boot - 0.1  # the login took a tenth
    exact = 3 + (found.at_s - powered_on_s) * (1 + float(fast[:-2]) / 100) - found.at_s
    assert found.offset_s == pytest.approx(exact, abs=1e-6)
    assert found.uncertainty_s == pytest.approx(0.0005)


def test_lines_carry_the_guests_clock() -> None:
    lab = rack(**{"guest-clock": {"fast": "1 %"}})
    process = lab.boot().start(LOAD)
    lab.clock.sleep(200.5)
    times = [json.loads(line.text)["monotonic_s"] for line in process.lines()]
    assert times[-1] - times[0] == pytest.approx(199 * 1.01, abs=1e-5)


# ------------------------------------------------------------------------------------------------------ the login


def test_a_guest_answers_when_it_has_booted() -> None:
    lab = rack(boot="30 s", defined={"running": False})
    with pytest.raises(GuestFault, match="is off") as refused:
        lab.connector.connect(ACCESS, machine="guest", timeout_s=5)
    assert refused.value.may_pass
    lab.hypervisor.start()
    lab.clock.sleep(29.9)
    with pytest.raises(GuestFault, match="booting"):
        lab.connector.connect(ACCESS, machine="guest", timeout_s=5)
    lab.clock.sleep(0.1)
    shell = lab.connector.connect(ACCESS, machine="guest", timeout_s=5)
    assert look_inside(shell, "", 5)["online"] == "0-1"


def test_each_boot_has_an_id_of_its_own() -> None:
    lab = rack()
    ids = {look_inside(lab.boot(), "", 5)["boot_id"] for _ in range(3)}
    assert len(ids) == 3


def test_commands_it_does_not_know() -> None:
    shell = rack().boot()
    assert shell.run(("python3", "bookings.py", "prepare")).status == 0
    assert shell.run(("sh", "-c", "rm -rf /")).status == 127
    assert shell.run(("sh", "-c", INSIDE_SCRIPT, "sh", "")).status == 0


def test_the_fingerprint_says_that_there_is_no_machine() -> None:
    lab = rack(cpus=8, seed=9)
    host, guest = fingerprint(lab.host()), fingerprint(lab.boot(2))
    assert host["cpu_model"] == guest["cpu_model"] == "simulated, seed 9"
    assert (host["cpus_online"], guest["cpus_online"]) == ("0-7", "0-1")
    assert host["cpu_microcode"] is None


def test_a_closed_or_lost_login_says_so() -> None:
    lab = rack()
    shell = lab.boot()
    shell.close()
    shell.close()
    with pytest.raises(GuestFault, match="closed"):
        shell.run(("true",))
    shell = lab.boot()
    lab.hypervisor.stop(60)
    with pytest.raises(GuestFault, match="lost") as lost:
        shell.put({"a": b""}, "folder")
    assert lost.value.may_pass
    with pytest.raises(HostFault, match="over a simulated login"):
        lab.samplers.open(object(), machine="guest")  # type: ignore[arg-type]


def test_the_thread_count_is_read_from_the_command_and_never_guessed() -> None:
    shell = rack().boot()
    for argv in (
        ("load", "--threads", "3"),
        ("load", "--threads=3"),
        ("load", "3"),
        ("load", "--size", "9", "--threads", "3"),
    ):
        shell.start(argv)
    for argv in (("load",), ("load", "3", "4"), ("load", "--threads", "many"), ("load", "--threads", "0")):
        with pytest.raises(WorkloadFault, match="--threads"):
            shell.start(argv)


def test_a_command_of_the_users_own_prints_what_the_lab_says() -> None:
    lab = rack(**quiet(line="served <rate> per second, <operations> in all", gang=False))
    process = lab.boot(1).start(("serve", "1"))
    line = process.wait_line(5)
    assert line is not None
    rate = truth(lab.settings, shape(1), 1).rate
    assert line.text == f"served {rate:.3f} per second, {int(rate)} in all"


# ----------------------------------------------------------------------------------------------------- the output


def test_lines_come_once_a_second_and_waiting_moves_time() -> None:
    lab = rack()
    process = lab.boot().start(LOAD)
    launched_s = lab.clock.monotonic()
    assert process.lines() == []
    assert process.wait_line(0.5) is None
    assert lab.clock.monotonic() == pytest.approx(launched_s + 0.5)
    line = process.wait_line(5)
    assert line is not None
    assert line.arrived_s == lab.clock.monotonic() == pytest.approx(launched_s + 1, abs=0.01)
    lab.clock.sleep(10)
    assert len(process.lines()) == 10
    assert process.ended() is None
    assert process.stop(5) == 0
    assert process.stop(5) == 0
    lab.clock.sleep(10)
    assert (process.lines(), process.ended(), process.errors()) == ([], 0, "")
    before_s = lab.clock.monotonic()
    assert process.wait_line(60) is None
    assert lab.clock.monotonic() == before_s


def test_a_guest_that_is_off_takes_its_load_with_it() -> None:
    lab = rack()
    process = lab.boot().start(LOAD)
    lab.clock.sleep(3.5)
    lab.hypervisor.stop(60)
    assert process.ended() == -1
    assert len(process.lines()) == 8  # three, and five more while it shut down
    with pytest.raises(GuestFault, match="lost"):
        process.write("x")


# ----------------------------------------------------------------------------------------------------- the faults


def faulty(kind: str, at: str = "10 s", **declared: object) -> Rack:
    return rack(**quiet(faults=[{"kind": kind, "trial": 1, "at": at}], **declared))


def test_does_not_boot() -> None:
    lab = faulty("does-not-boot")
    before_s = lab.clock.monotonic()
    with pytest.raises(GuestFault, match="did not answer within 5 s"):
        lab.boot()
    assert lab.clock.monotonic() - before_s > 25  # the silence was waited for
    lab.boot()  # the next trial is fine


def test_refuses_reshape() -> None:
    lab = faulty("refuses-reshape")
    lab.hypervisor.stop(60)
    for _ in range(3):
        with pytest.raises(HostFault, match="refused") as refused:
            lab.reshape(shape(1))
        assert refused.value.may_pass


def test_will_not_stop() -> None:
    lab = faulty("will-not-stop")
    saved = lab.hypervisor.save()
    lab.boot()
    before_s = lab.clock.monotonic()
    with pytest.raises(GuestFault, match="did not shut down within 2 min"):
        lab.hypervisor.stop(120)
    assert lab.clock.monotonic() - before_s == pytest.approx(120)
    assert lab.hypervisor.describe().running
    with pytest.raises(RestoreError, match="could not be put back"):
        lab.hypervisor.restore(saved)


def test_force_off_stops_what_will_not() -> None:
    lab = rack(force_off=True, faults=[{"kind": "will-not-stop", "trial": 1}])
    lab.boot()
    lab.hypervisor.stop(120)
    assert not lab.hypervisor.describe().running


def test_a_shutdown_that_takes_too_long() -> None:
    lab = rack(**{"shut-down": "90 s"})
    with pytest.raises(GuestFault, match="did not shut down within 1 min"):
        lab.hypervisor.stop(60)
    lab.hypervisor.stop(100)


def test_the_guest_sees_less_than_it_was_given() -> None:
    seen = look_inside(faulty("fewer-cpus").boot(4 // 2), "", 5)
    assert seen["online"] == "0"
    seen = look_inside(faulty("less-memory").boot(), "", 5)
    assert int(seen["memory_kib"]) < 0.6 * 2**20


def test_drops_line() -> None:
    lab = faulty("drops-line")
    shell = lab.boot()
    sampler, process = lab.sampler(shell), shell.start(LOAD)
    lab.clock.sleep(30)
    assert len(process.lines()) == 10
    assert process.ended() == -1
    for lost in (sampler.sample, sampler.exchange, lambda: shell.run(("true",))):
        with pytest.raises(GuestFault, match="lost"):
            lost()
    again = lab.connector.connect(ACCESS, machine="guest", timeout_s=5)
    assert again.run(("true",)).status == 0
    first = lab.hypervisor.counters()
    lab.clock.sleep(10)
    assert (
        lab.hypervisor.counters().values["vcpu.0.run_ns"] - first.values["vcpu.0.run_ns"] < 1e8
    )  # the load died with the line


def test_falls_silent() -> None:
    lab = faulty("falls-silent")
    shell = lab.boot()
    sampler, process = lab.sampler(shell), shell.start(LOAD)
    lab.clock.sleep(30)
    assert len(process.lines()) == 9
    assert process.ended() is None  # nobody can tell
    with pytest.raises(GuestFault, match="nothing has arrived for 10 s"):
        sampler.sample()
    before_s = lab.clock.monotonic()
    assert process.stop(7) is None
    assert lab.clock.monotonic() - before_s == pytest.approx(7)


def test_reboots() -> None:
    lab = faulty("reboots", boot="15 s")
    shell = lab.boot()
    boot_id = look_inside(shell, "", 5)["boot_id"]
    process = shell.start(LOAD)
    lab.clock.sleep(5)
    before = lab.hypervisor.counters()
    lab.clock.sleep(7)
    assert process.ended() == -1
    assert lab.hypervisor.counters().values["vcpu.0.run_ns"] < before.values["vcpu.0.run_ns"]
    with pytest.raises(GuestFault, match="booting"):
        lab.connector.connect(ACCESS, machine="guest", timeout_s=5)
    lab.clock.sleep(15)
    assert look_inside(lab.connector.connect(ACCESS, machine="guest", timeout_s=5), "", 5)["boot_id"] != boot_id


def test_clock_frozen() -> None:
    lab = faulty("clock-frozen")
    shell = lab.boot()
    sampler, process = lab.sampler(shell), shell.start(LOAD)
    lab.clock.sleep(20.5)
    times = [json.loads(line.text)["monotonic_s"] for line in process.lines()]
    assert times[8] < times[9] == times[19]
    assert sampler.sample().source_ns == sampler.sample().source_ns
    assert counts(process) == []


def test_counter_missing_is_no_key_and_not_a_zero() -> None:
    lab = faulty("counter-missing")
    lab.boot()
    assert set(lab.hypervisor.counters().values) == {"vcpu.0.run_ns", "vcpu.1.run_ns"}


def test_counter_falls() -> None:
    lab = faulty("counter-falls")
    process = lab.boot(1).start(LOAD)
    lab.clock.sleep(9.9)
    before = lab.hypervisor.counters().values["vcpu.0.run_ns"]
    lab.clock.sleep(1)
    after = lab.hypervisor.counters().values["vcpu.0.run_ns"]
    assert 0 < after < before
    assert process.ended() is None


def test_workload_exits() -> None:
    lab = faulty("workload-exits")
    process = lab.boot().start(LOAD)
    lab.clock.sleep(30)
    assert (len(process.lines()), process.ended()) == (10, 1)
    assert "by itself" in process.errors()
    assert process.stop(5) == 1


def test_workload_hangs() -> None:
    lab = faulty("workload-hangs")
    process = lab.boot().start(LOAD)
    lab.clock.sleep(30)
    assert (len(process.lines()), process.ended()) == (10, None)
    assert process.wait_line(5) is None
    assert process.stop(5) == 0


def test_workload_floods() -> None:
    lab = faulty("workload-floods")
    process = lab.boot().start(LOAD)
    lab.clock.sleep(12.5)
    lines = process.lines()
    assert any(line.cut and len(line.text) == MAX_LINE for line in lines)
    assert any("\x1b" in line.text for line in lines)
    assert any("NaN" in line.text for line in lines)
    assert len(lines) > 12
    assert json.loads(lines[-1].text)["operations"] > 0  # the good lines go on


def test_workload_counts_back() -> None:
    lab = faulty("workload-counts-back")
    process = lab.boot().start(LOAD)
    lab.clock.sleep(15.5)
    figures = counts(process)
    assert figures[9] < figures[8]
    assert figures[10] > figures[9]


def test_a_fault_that_passes_strikes_the_first_launch_only() -> None:
    lab = rack(faults=[{"kind": "workload-exits", "trial": 1, "attempts": 1}])
    shell = lab.boot()
    first = shell.start(LOAD)
    lab.clock.sleep(1)
    assert first.ended() == 1
    second = shell.start(LOAD)
    lab.clock.sleep(60)
    assert second.ended() is None


# ------------------------------------------------------------------------------------------------- the hypervisor


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"vcpus": 3}, "never fits"),
        ({"vcpus": 1, "memory": "512 GiB"}, "can give 256 GiB"),
        ({"vcpus": 1, "pin": [0, 7]}, "CPUs 0 to 1"),
        ({"vcpus": 2, "topology": {"cores": 2}}, "does not model topology"),
    ],
)
def test_what_the_host_cannot_give_is_refused(asked: dict[str, object], says: str) -> None:
    lab = rack()
    lab.hypervisor.stop(60)
    before = lab.hypervisor.save()
    with pytest.raises(HostFault, match=says):
        lab.reshape(Shape.model_validate({"name": "big", "memory": "1 GiB", **asked}))
    assert lab.hypervisor.save() == before


def test_a_running_guest_is_neither_reshaped_nor_started() -> None:
    lab = rack()
    for action in (lambda: lab.reshape(shape(1)), lab.hypervisor.start):
        with pytest.raises(HostFault, match="running"):
            action()


def test_quota_and_pin_survive_save_and_restore() -> None:
    lab = rack(defined={"running": False})
    lab.reshape(shape(2, quota="33 %", pin=[0, 1]))
    saved = lab.hypervisor.save()
    lab.reshape(shape(1))
    lab.hypervisor.restore(saved)
    assert lab.hypervisor.save() == saved


@pytest.mark.parametrize(
    "definition", [b"", b"\xff", b"[]", b"{}", b'{"pin": 3, "name": "a", "vcpus": 1, "memory": 1, "quota": null}']
)
def test_a_damaged_definition_is_not_restored(definition: bytes) -> None:
    lab = rack()
    saved = lab.hypervisor.save()
    with pytest.raises(RestoreError):
        lab.hypervisor.restore(type(saved)({"guest.json": definition}, saved.running))
    assert lab.hypervisor.save() == saved


def test_a_guest_that_is_off_has_no_counters() -> None:
    lab = rack(defined={"running": False})
    with pytest.raises(StageError, match="off"):
        lab.hypervisor.counters()


def test_a_simulated_night_is_cheap() -> None:
    """500 trials of 150 samples of host, guest and vCPUs: 75,000 rounds, which leave most of a minute to the engine."""
    began_s = process_time()
    lab = rack(cpus=4)
    host = lab.sampler(lab.host(), "host")
    lines = 0
    for trial in range(500):
        shell = lab.boot(1 + trial % 2)
        guest, process = lab.sampler(shell), shell.start(LOAD)
        for _ in range(150):
            lab.clock.sleep(1)
            lab.hypervisor.counters()
            guest.sample()
            host.sample()
            lines += len(process.lines())
        process.stop(5)
    assert lines >= 500 * 149
    assert lab.clock.monotonic() > 500 * 170
    assert process_time() - began_s < 20  # CPU time; about 4 s on a machine of 2024
