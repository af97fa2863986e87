"""What is told of two runs whose surroundings are not the same.

No published source says which facts matter most; the weights are common practice. That frequency policy, microcode,
mitigations and the version of a machine type change what a guest gets is in the kernel's documentation
(admin-guide/pm/cpufreq.rst, arch/x86/microcode.rst, admin-guide/hw-vuln) and QEMU's (about/deprecated.rst).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from stored_runs import PLAN, run_record

from orchestrator.core.record.facts import FACTS, MACHINE_FACTS, WEIGHTS, lasting, untold
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.verdict.between_runs.results import Difference
from orchestrator.core.verdict.between_runs.surroundings import Known, facts_differ, surroundings

HOST = {
    "cpu_model": "A Server CPU",
    "cpu_microcode": "0x2b",
    "frequency_governor": "performance",
    "kernel": "6.1.0",
    "kernel_command_line": "quiet mitigations=auto isolcpus=2-3",
    "clock_sources": "tsc hpet",
    "load": "0.5 0.4 0.3 1/300",
    "uptime": "500 s",
}
GUEST = {"kernel": "6.8.0", "cpus_online": "0-1", "memory": "2 GiB", "clock_source": "kvm-clock"}
DEFINED = {"machine_type": "pc-q35-7.2 x86_64", "other_guests": "0"}


def known(run: str = "base", environment: Environment | None = None, **changes: Any) -> Known:
    accepted = changes.pop("accepted", ())
    record = run_record(id=run, **changes)
    return Known(StoredRun(record, (), "done", "", accepted=accepted), environment or around())


def around(host: Mapping[str, str | None] = {}, guest: Mapping[str, str | None] = {}, **defined: str) -> Environment:
    return Environment(host=HOST | dict(host), guest=GUEST | dict(guest), hypervisor=DEFINED | defined)


def sentences(found: tuple[Difference, ...]) -> list[str]:
    return [difference.sentence for difference in found]


def test_equal_surroundings_differ_in_nothing() -> None:
    assert surroundings([known()], known("new")) == ()


def test_what_is_never_the_same_twice_and_what_the_shape_sets_is_no_difference() -> None:
    later = around({"load": "9 9 9 9/300", "uptime": "7 s"}, {"cpus_online": "0-3", "memory": "4 GiB"})
    assert surroundings([known()], known("new", later)) == ()


def test_differences_come_by_weight_then_by_place_and_say_both_values() -> None:
    changed = around(
        {"clock_sources": "tsc", "cpu_microcode": "0x2c", "frequency_governor": "powersave"},
        {"clock_source": "tsc"},
        machine_type="pc-q35-9.0 x86_64",
    )
    found = surroundings([known()], known("new", changed, seed=8))
    assert sentences(found) == [
        "host: CPU microcode 0x2b in the base, 0x2c in the new run",
        "host: frequency governor performance in the base, powersave in the new run",
        "hypervisor: machine type pc-q35-7.2 x86_64 in the base, pc-q35-9.0 x86_64 in the new run",
        "guest: clock source kvm-clock in the base, tsc in the new run",
        "host: clock sources hpet in the base only",
        "method: seed of the order 7 in the base, 8 in the new run",
    ]
    assert [WEIGHTS.index(one.weight) for one in found] == [0, 0, 0, 0, 2, 2]
    assert (found[0].base, found[0].new, found[0].meaning) == ("0x2b", "0x2c", MACHINE_FACTS["cpu_microcode"].meaning)


def test_of_a_list_only_what_changed_is_said() -> None:
    (found,) = surroundings([known()], known("new", around({"kernel_command_line": "quiet mitigations=off splash"})))
    assert found.sentence == (
        "host: kernel command line mitigations=auto isolcpus=2-3 in the base, mitigations=off splash in the new run"
    )
    assert found.base == HOST["kernel_command_line"], "the whole of it is kept"
    (long,) = surroundings([known()], known("new", around({"cpu_model": "x" * 1000})))
    assert len(long.sentence) < 300


def test_a_process_guests_kernel_is_told_once() -> None:
    one, other = {"kernel": "6.1.0"}, {"kernel": "6.2.0"}
    found = surroundings([known(environment=around(one, one))], known("new", around(other, other)))
    assert sentences(found) == ["host: kernel 6.1.0 in the base, 6.2.0 in the new run"]


def test_a_fact_that_one_side_does_not_tell_weighs_less() -> None:
    (found,) = surroundings([known()], known("new", around({"cpu_microcode": None})))
    assert (found.weight, found.new) == ("possible", None)
    assert found.sentence == "host: CPU microcode 0x2b in the base, not told in the new run"


def test_many_facts_that_only_one_side_tells_are_named_together() -> None:
    lost = around({"cpu_microcode": None, "frequency_governor": None, "kernel": None, "cpu_model": "Another CPU"})
    found = surroundings([known()], known("new", lost))
    assert sentences(found) == [
        "host: CPU A Server CPU in the base, Another CPU in the new run",
        "host: told in the base only, so a change of it cannot be seen: CPU microcode, frequency governor, kernel",
    ]
    assert (found[1].weight, found[1].base, found[1].new) == ("possible", "told", None)


def test_facts_that_an_older_version_never_asked_for_are_named_and_no_difference() -> None:
    newer = around({"page_merging": "off", "disks": "vda: virtio_blk", "balloon": None})
    (found,) = surroundings([known()], known("new", newer))
    assert found.sentence == "host: not asked in every run, since the versions differ: merging of pages, disks"
    assert found.weight == "unlikely"


@pytest.mark.parametrize(
    ("base_knows", "new_knows", "who"),
    [(False, True, "the base's side"), (True, False, "the new side"), (False, False, "either side")],
)
def test_a_host_that_nobody_could_log_in_to_is_said_once_with_why(base_knows: bool, new_knows: bool, who: str) -> None:
    nothing: dict[str, str | None] = dict.fromkeys(MACHINE_FACTS)
    closed = Environment(
        host=nothing, guest=GUEST, hypervisor=DEFINED, unavailable={"host": untold("host", nothing, "no login there")}
    )
    found = surroundings(
        [known(environment=None if base_knows else closed)], known("new", None if new_knows else closed)
    )
    assert sentences(found) == [
        f"host: nothing is known of it on {who} (no login there), so a change of it cannot be seen"
    ]


def test_a_run_without_a_fingerprint_is_named() -> None:
    bare = Known(StoredRun(run_record(id="notes-2019"), (), "done", ""), None)
    (found,) = surroundings([bare], known("new"))
    assert found.sentence == "host: no fingerprint was kept by notes-2019, so a change of host or guest cannot be seen"
    assert (found.base, found.new) == (None, "told")


def test_of_several_base_runs_what_is_not_the_same_in_all_is_said_as_such() -> None:
    base = [known("a"), known("b"), known("c", around({"kernel": "6.8.0"}))]
    (found,) = surroundings(base, known("new"))
    assert found.sentence == (
        "host: kernel is not the same in all runs of the base: 6.1.0 (2 of 3 runs); 6.8.0 (1 of 3 runs); "
        "6.1.0 in the new run"
    )
    (all_differ,) = surroundings([known("a"), known("b")], known("new", around({"kernel": "6.9.0"})))
    assert all_differ.sentence == "host: kernel 6.1.0 in the base, 6.9.0 in the new run"


def test_how_it_was_measured_is_compared_too() -> None:
    plan = PLAN | {
        "neighbours": [{"name": "hogs", "loops": 2}],
        "quiet": {"busy_below": 0.1},
        "measure": PLAN["measure"] | {"steady": {"at_least": 30.0, "at_most": 600.0, "until_within": 0.02}},
        "workloads": [{"name": "bookings", "use": "bookings", "threads": [1, 2], "reader": "json"}],
    }
    base = known(inputs_sha256={"bookings/bookings.py": "a" * 64, "plan.yaml": "b" * 64})
    new = known(
        "new",
        plan=plan,
        hypervisor="libvirt",
        versions={"trialbed": "0.2.0", "libvirt-python": "12"},
        inputs_sha256={"bookings/bookings.py": "c" * 64, "plan.yaml": "d" * 64},
        accepted=("the file bookings.py changed",),
    )
    assert sentences(surroundings([base], new)) == [
        "method: driver here in the base, libvirt in the new run",
        "method: neighbours none in the base, hogs (2 busy loops on the host) in the new run",
        "method: workload bookings: reader none in the base, json in the new run",
        "method: workload bookings: files (SHA-256) bookings.py aaaaaaaaaaaa in the base, "
        "bookings.py cccccccccccc in the new run",
        "method: changes while it lay none in the base, the file bookings.py changed in the new run",
        "method: quiet host before trials not waited for in the base, waited for in the new run",
        "method: shortest steady window 1 min in the base, 30 s in the new run",
        "method: version of trialbed 0.1.0 in the base, 0.2.0 in the new run",
    ]


def test_two_ways_of_waiting_for_a_quiet_host_differ_in_what_they_ask_for() -> None:
    base, new = PLAN | {"quiet": {"busy_below": 0.05, "wait": 600.0}}, PLAN | {"quiet": {"busy_below": 0.2, "wait": 0}}
    assert sentences(surroundings([known(plan=base)], known("new", plan=new))) == [
        "method: host counts as quiet below 5 % in the base, 20 % in the new run",
        "method: longest wait for a quiet host 10 min in the base, 0 s in the new run",
    ]


def test_a_load_that_only_one_run_has_is_left_to_the_matching_of_cells() -> None:
    plan = PLAN | {"workloads": [{"name": "tickets", "use": "bookings", "threads": [1], "reader": "json"}]}
    assert surroundings([known()], known("new", plan=plan)) == ()


def test_of_imported_readings_only_that_they_are_is_told_of_the_method() -> None:
    by_hand = Known(known("noted", origin="imported", hypervisor="none", seed=0).run)
    told = ["method: origin of the readings imported in the base, measured in the new run"]
    assert [said for said in sentences(surroundings([by_hand], known("new"))) if said.startswith("method")] == told


def test_values_with_commas_of_their_own_are_kept_apart() -> None:
    (found,) = surroundings([known()], known("new", around({"cpu_model": "Example CPU, rev. 2"})))
    assert found.sentence.endswith("in the base; Example CPU, rev. 2 in the new run")


def test_an_upgrade_is_told_by_what_lasts() -> None:
    """Other guests come and go by themselves, which a comparison tells and a history does not mark."""
    assert lasting("hypervisor", DEFINED) == {"machine_type": "pc-q35-7.2 x86_64"}
    assert lasting("guest", GUEST).keys() == {"kernel", "clock_source"}
    (found,) = facts_differ("hypervisor", [DEFINED], DEFINED | {"other_guests": "6"})
    assert found.sentence == "hypervisor: other guests running 0 in the base, 6 in the new run"


def test_every_fact_has_a_reason_for_not_being_there() -> None:
    for section, facts in FACTS.items():
        assert untold(section, {}).keys() == facts.keys()
        assert set(untold(section, dict.fromkeys(facts), "no login").values()) == {"no login"}
    assert "kernel" not in untold("host", HOST)
