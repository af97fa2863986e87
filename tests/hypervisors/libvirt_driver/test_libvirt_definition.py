"""Definitions with another shape: what goes in, what comes out, and that libvirt takes it and keeps it."""

from __future__ import annotations

import itertools
from typing import Any
from xml.etree.ElementTree import Element

import pytest

pytest.importorskip("libvirt")

from libvirt_guest import MARK, UUID, definition, outside, shape

from orchestrator.hypervisors.libvirt.definition import difference, reshaped, unwritable
from orchestrator.hypervisors.libvirt.facts import facts, obstacle, parse, read_cpus, same_machine, write_cpus

PINNED = "<cputune><vcpupin vcpu='0' cpuset='0-1'/><vcpupin vcpu='1' cpuset='4'/></cputune>"
LISTED = (
    "<vcpu current='1'>2</vcpu><vcpus><vcpu id='0' enabled='yes' hotpluggable='no'/>"
    "<vcpu id='1' enabled='no' hotpluggable='yes'/></vcpus>"
)
TOPOLOGY = "<cpu mode='host-passthrough'><topology sockets='{0}' cores='{1}' threads='{2}'/></cpu>"


def defined(xml: str) -> str:
    """As libvirt keeps it."""
    with outside(xml) as host:
        return host.xml


def given(saved: str, wanted: dict[str, Any], usual_shares: int = 100) -> Element:
    """The definition that libvirt keeps when a saved one is given a shape; without a difference to what was asked."""
    asked = shape(**wanted)
    kept = defined(reshaped(defined(saved), asked, usual_shares))
    assert difference(kept, asked, usual_shares) is None
    return parse(kept)


def attributes(root: Element, path: str) -> dict[str, str] | None:
    found = root.find(path)
    return None if found is None else dict(found.attrib)


def tuning(root: Element) -> dict[str, str]:
    return {
        child.tag + child.get("vcpu", ""): child.get("cpuset") or child.text or ""
        for child in root.findall("cputune/*")
    }


# ---------------------------------------------------------------------------------------------------- vCPUs and memory


@pytest.mark.parametrize("size", ["<vcpu>2</vcpu>", "<vcpu placement='static' current='2'>8</vcpu>", LISTED, ""])
@pytest.mark.parametrize("vcpus", [1, 2, 3, 32])
def test_a_cold_shape_boots_with_all_its_vcpus(size: str, vcpus: int) -> None:
    root = given(definition(size), {"vcpus": vcpus, "memory": "300 MiB"})
    assert root.findtext("vcpu") == str(vcpus)
    assert "current" not in attributes(root, "vcpu")  # type: ignore[operator]
    assert root.find("vcpus") is None


def test_a_live_shape_boots_with_one_and_can_be_given_the_others() -> None:
    root = given(definition(), {"vcpus": 4, "reshape": "live"})
    assert (root.findtext("vcpu"), attributes(root, "vcpu")) == ("4", {"placement": "static", "current": "1"})
    assert "current" not in attributes(given(definition(), {"vcpus": 1, "reshape": "live"}), "vcpu")  # type: ignore[operator]


@pytest.mark.parametrize("kib", [64 * 1024, 300 * 1024 + 1, 3 * 2**20])
def test_memory_is_exact_to_the_kib(kib: int) -> None:
    root = given(definition(), {"memory": f"{kib} KiB"})
    assert [(root.findtext(n), attributes(root, n)) for n in ("memory", "currentMemory")] == [
        (str(kib), {"unit": "KiB"})
    ] * 2


def test_memory_that_is_no_whole_kib_is_refused() -> None:
    refused = unwritable(definition(), shape(memory="536870913 B"))
    assert refused == "shape v2 asks for 536870913 bytes of memory; libvirt defines whole KiB"


# ------------------------------------------------------------------------------------------------------------ topology

TOPOLOGIES = [
    # saved, shape, what follows (sockets, cores, threads); None: left to the hypervisor
    ("", {"vcpus": 4}, None),
    ("", {"vcpus": 4, "topology": {"sockets": 2, "cores": 2}}, (2, 2, 1)),
    (TOPOLOGY.format(1, 2, 1), {"vcpus": 4, "topology": {"cores": 2, "threads": 2}}, (1, 2, 2)),
    (TOPOLOGY.format(1, 2, 1), {"vcpus": 6}, (1, 6, 1)),
    (TOPOLOGY.format(2, 1, 1), {"vcpus": 4}, (2, 2, 1)),
    (TOPOLOGY.format(1, 1, 2), {"vcpus": 6}, (1, 3, 2)),
    (TOPOLOGY.format(1, 1, 2), {"vcpus": 3}, None),
    (TOPOLOGY.format(2, 1, 1), {"vcpus": 1}, None),
    ("<cpu><topology sockets='2' cores='1' threads='1'/></cpu>", {"vcpus": 1}, None),
    ("<cpu><topology sockets='1' dies='2' cores='1' threads='1'/></cpu>", {"vcpus": 6}, (1, 3, 1)),
]


@pytest.mark.parametrize(("cpu", "wanted", "follows"), TOPOLOGIES)
def test_topology_is_the_shapes_or_follows_the_guests_own(
    cpu: str, wanted: dict[str, Any], follows: tuple[int, int, int] | None
) -> None:
    root = given(definition(more=cpu), wanted)
    found = attributes(root, "cpu/topology")
    kept = None if found is None else tuple(int(found[name]) for name in ("sockets", "cores", "threads"))
    assert kept == follows
    assert ("host-passthrough" in cpu) == (attributes(root, "cpu[@mode]") is not None), "the CPU model stays"


# ------------------------------------------------------------------------------------------------------------ CPU time


@pytest.mark.parametrize(
    ("quota", "period_us", "quota_us"), [("150 %", 100_000, 150_000), ("1 %", 100_000, 1_000), ("0.5 %", 10**6, 5_000)]
)
def test_a_quota_is_for_the_whole_guest(quota: str, period_us: int, quota_us: int) -> None:
    saved = definition(
        more="<cputune><period>50000</period><quota>20000</quota><emulator_quota>9000</emulator_quota></cputune>"
    )
    assert tuning(given(saved, {"quota": quota})) == {
        "global_period": str(period_us),
        "global_quota": str(quota_us),
        "emulator_quota": "9000",
    }


def test_memory_beyond_the_owners_hard_limit_is_refused() -> None:
    limited = defined(definition(more="<memtune><hard_limit unit='MiB'>768</hard_limit></memtune>"))
    assert '<memory unit="KiB">786432<' in reshaped(limited, shape(memory="768 MiB"), 100).replace("'", '"')
    assert unwritable(limited, shape(memory="768 MiB")) is None
    refused = unwritable(limited, shape(memory="1 GiB")) or ""
    assert "asks for 1 GiB" in refused
    assert "768 MiB of the host's memory at most (memtune/hard_limit)" in refused


def test_a_quota_too_small_for_libvirt_is_refused() -> None:
    assert unwritable(definition(), shape(quota="0.1 %")) is None
    assert "0.05 % of one CPU, which is less" in (unwritable(definition(), shape(quota="0.05 %")) or "")


@pytest.mark.parametrize(("usual", "written"), [(100, "250"), (1024, "2560")])
def test_shares_are_of_what_is_usual_with_these_control_groups(usual: int, written: str) -> None:
    # Linux: cpu.shares is 1024 by default (scheduler/sched-design-CFS), cpu.weight is 100 (admin-guide/cgroup-v2).
    assert tuning(given(definition(), {"shares": 250}, usual)) == {"shares": written}


def test_what_the_owner_set_stays_where_the_shape_sets_nothing() -> None:
    own = "<cputune><shares>512</shares><period>50000</period><quota>20000</quota></cputune>"
    assert tuning(given(definition(more=own), {"vcpus": 4})) == {"shares": "512", "period": "50000", "quota": "20000"}


PINS = [
    ("", {"pin": [0, 2]}, {"vcpupin0": "0,2", "vcpupin1": "0,2"}),
    (PINNED, {"vcpus": 1, "pin": [2]}, {"vcpupin0": "2"}),
    (PINNED, {"vcpus": 1}, {"vcpupin0": "0-1"}),
    (PINNED, {"vcpus": 3}, {"vcpupin0": "0-1", "vcpupin1": "4", "vcpupin2": "0-1,4"}),
    ("<cputune><vcpupin vcpu='0' cpuset='0'/></cputune>", {"vcpus": 3}, {"vcpupin0": "0"}),
]


@pytest.mark.parametrize(("own", "wanted", "follows"), PINS)
def test_pins_are_the_shapes_or_the_owners(own: str, wanted: dict[str, Any], follows: dict[str, str]) -> None:
    assert tuning(given(definition(more=own), wanted)) == follows


# ------------------------------------------------------------------------------------------------------------ the rest


def test_a_guest_that_has_gone_off_stays_off() -> None:
    lifecycle = "<on_poweroff>restart</on_poweroff><on_reboot>restart</on_reboot><on_crash>coredump-restart</on_crash>"
    root = given(definition(more=lifecycle), {})
    assert [root.findtext(f"on_{event}") for event in ("poweroff", "reboot", "crash")] == [
        "destroy",
        "restart",
        "coredump-destroy",
    ]


def test_namespaces_keep_their_prefixes_and_their_content() -> None:
    plain = "<plain xmlns='http://plain.example/1' a='&lt;&#10;'/>"
    foreign = f"<libosinfo:os xmlns:libosinfo='http://os.example/1'>{plain}</libosinfo:os>"
    saved = defined(definition(metadata=MARK + foreign))
    xml = reshaped(saved, shape(4), 100)
    assert "<trialbed:guest" in xml
    assert "<libosinfo:os" in xml
    with outside(xml) as host:
        kept = host.xml
        assert host.domain.metadata(2, "https://trialbed.example/guest/1", 0).startswith("<guest")
    inside = parse(kept).find("metadata/{http://os.example/1}os/{http://plain.example/1}plain")
    assert inside is not None
    assert inside.get("a") == "<\n"


def test_the_command_line_of_qemu_survives_the_edit() -> None:
    # libvirt's own format of pass-through arguments; the test driver does not keep them, so they are read back here.
    qemu = "http://libvirt.org/schemas/domain/qemu/1.0"
    xml = (
        f"<domain type='qemu' xmlns:qemu='{qemu}'><name>b</name><uuid>{UUID}</uuid><memory>65536</memory><vcpu>1</vcpu>"
        "<os><type>hvm</type></os><qemu:commandline><qemu:arg value='-netdev'/><qemu:env name='A' value='1'/>"
        "</qemu:commandline></domain>"
    )
    edited = reshaped(xml, shape(2), 100)
    assert "<qemu:commandline>" in edited
    assert f'xmlns:qemu="{qemu}"' in edited
    assert [arg.get("value") for arg in parse(edited).iter(f"{{{qemu}}}arg")] == ["-netdev"]


EXTRAS: tuple[dict[str, Any], ...] = (
    {},
    {"reshape": "live"},
    {"topology": {"sockets": 2, "cores": 2}},
    {"quota": "50 %"},
    {"shares": 20},
    {"pin": [4]},
)


@pytest.mark.parametrize(("one", "other"), [*itertools.permutations(EXTRAS, 2)])
def test_a_shape_does_not_depend_on_the_one_before_and_everything_can_be_undone(
    one: dict[str, Any], other: dict[str, Any]
) -> None:
    with outside(definition(TWO_OF_EIGHT, more=PINNED)) as host:
        before = host.xml
        host.connection.defineXML(reshaped(before, shape(4, **other), 100))
        alone = host.xml
        for extras in (one, other):
            host.connection.defineXML(reshaped(before, shape(4, **extras), 100))
        assert host.xml == alone
        host.connection.defineXML(before)
        assert host.xml == before


TWO_OF_EIGHT = "<vcpu placement='static' cpuset='0-4,^1' current='2'>8</vcpu>"


# --------------------------------------------------------------------------------------------------- reading, obstacles


def test_what_a_definition_says() -> None:
    found = facts(
        defined(definition(TWO_OF_EIGHT, more="<cputune><shares>20</shares></cputune>" + TOPOLOGY.format(2, 2, 2)))
    )
    assert (found.name, found.uuid, found.kind) == ("bookings-1", UUID, "test")
    assert (found.vcpus, found.max_vcpus, found.memory) == (2, 8, 512 * 2**20)
    assert (found.cpus, found.tuning) == (frozenset({0, 2, 3, 4}), ("shares",))
    assert found.topology is not None
    assert found.topology.vcpus == 8


@pytest.mark.parametrize(
    ("size", "tune", "cpus"),
    [
        ("<vcpu>2</vcpu>", "", None),
        ("<vcpu>2</vcpu>", "<vcpupin vcpu='0' cpuset='0'/>", None),
        ("<vcpu cpuset='2-3'>2</vcpu>", "<vcpupin vcpu='0' cpuset='0'/>", {0, 2, 3}),
        ("<vcpu>2</vcpu>", "<vcpupin vcpu='0' cpuset='0'/><vcpupin vcpu='1' cpuset='4'/>", {0, 4}),
    ],
)
def test_which_cpus_a_guest_may_run_on(size: str, tune: str, cpus: set[int] | None) -> None:
    assert facts(definition(size, more=f"<cputune>{tune}</cputune>")).cpus == cpus


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("<memory>2048</memory>", 2 * 2**20),
        ("<memory unit='b'>512</memory>", 512),
        ("<memory unit='GiB'>3</memory>", 3 * 2**30),
        ("<memory unit='G'>3</memory>", 3 * 2**30),
        ("<memory unit='KB'>3</memory>", 3000),
        ("<memory unit='GiB'>3</memory><currentMemory unit='MiB'>1536</currentMemory>", 1536 * 2**20),
        ("", 0),
    ],
)
def test_memory_is_read_in_any_unit_of_libvirts_format(text: str, size: int) -> None:
    # Units: libvirt's documentation of the domain format, memory allocation (b, KB, k or KiB, ... case ignored).
    assert facts(f"<domain>{text}</domain>").memory == size


@pytest.mark.parametrize(
    ("cpuset", "cpus"), [("0", {0}), ("0-3,^2", {0, 1, 3}), ("8, 0-1", {0, 1, 8}), ("0-7,^0-5", {6, 7}), ("", set())]
)
def test_lists_of_cpus(cpuset: str, cpus: set[int]) -> None:
    assert read_cpus(cpuset) == cpus
    assert read_cpus(write_cpus(frozenset(cpus))) == cpus


@pytest.mark.parametrize("text", ["", "not XML", "<domain>"])
def test_what_is_no_definition_is_said_to_be_none(text: str) -> None:
    with pytest.raises(ValueError, match="not XML"):
        facts(text)


OBSTACLES = {
    "NUMA cells": "<cpu><numa><cell id='0' cpus='0-1' memory='512' unit='MiB'/></numa></cpu>",
    "slots for memory": "<maxMemory slots='4' unit='GiB'>4</maxMemory>"
    "<cpu><numa><cell id='0' cpus='0-1' memory='512' unit='MiB'/></numa></cpu>",
    "schedulers of single vCPUs": "<cputune><vcpusched vcpus='0' scheduler='fifo' priority='1'/></cputune>",
}


@pytest.mark.parametrize(("names", "more"), OBSTACLES.items())
def test_what_is_tied_to_a_size_is_named(names: str, more: str) -> None:
    assert names in str(obstacle(defined(definition(more=more))))


def test_an_ordinary_definition_has_no_obstacle() -> None:
    assert obstacle(defined(definition(more=PINNED + TOPOLOGY.format(1, 2, 1)))) is None


def test_a_running_guest_is_compared_with_a_definition_by_its_size() -> None:
    with outside(definition(more=PINNED)) as host:
        saved = host.xml
        host.domain.create()
        running = host.domain.XMLDesc(0)
        assert same_machine(running, saved)
        for other in ({"vcpus": 1}, {"memory": "1 GiB"}, {"quota": "50 %"}, {"topology": {"cores": 2}}, {"pin": [0]}):
            assert not same_machine(running, reshaped(saved, shape(**other), 100)), other


@pytest.mark.parametrize(
    ("made", "says"),
    [
        ({"vcpus": 1}, "vCPUs: 1 where 2 was asked"),
        ({"memory": "1 GiB"}, "bytes of memory: 1073741824 where 536870912"),
        ({"reshape": "live"}, "vCPUs: 1 where 2"),
        ({}, "topology: nothing where sockets=1 cores=2 threads=1"),
        ({"topology": {"cores": 2}}, "CPU quota: nothing where 50000"),
        ({"topology": {"cores": 2}, "quota": "50 %"}, "CPU shares: nothing where 30"),
        ({"topology": {"cores": 2}, "quota": "50 %", "shares": 30}, "pins: nothing where ['0', '0']"),
    ],
)
def test_a_difference_to_what_was_asked_is_named(made: dict[str, Any], says: str) -> None:
    asked = shape(quota="50 %", shares=30, topology={"cores": 2}, pin=[0])
    xml = reshaped(defined(definition()), shape(**made), 100)
    assert str(difference(xml, asked, 100)).startswith(says)
