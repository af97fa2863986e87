"""The driver on libvirt's in-memory hypervisor: what it says, changes, refuses and puts back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

libvirt = pytest.importorskip("libvirt")

from libvirt_guest import MARK, SHARED, Outside, bound, definition, outside, shape

from orchestrator.engine.ports import SavedGuest
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault, HostFault, RestoreError
from orchestrator.hypervisors.libvirt.domain import Domain
from orchestrator.hypervisors.libvirt.facts import facts
from orchestrator.hypervisors.libvirt.host import Host
from orchestrator.hypervisors.libvirt.hypervisor import LibvirtHypervisor
from orchestrator.hypervisors.libvirt.marks import marking_command
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor


@pytest.fixture
def host() -> Iterator[Outside]:
    with outside() as seen:
        yield seen


@pytest.fixture
def driver(host: Outside) -> Iterator[LibvirtHypervisor]:
    made = bound()
    yield made
    made.close()


NODE = """<node>
  <cpu><mhz>2000</mhz><model>i686</model><active>8</active><nodes>1</nodes><sockets>1</sockets><cores>8</cores>
    <threads>1</threads></cpu>
  <memory>16777216</memory>
  {domain}
</node>"""


@pytest.mark.parametrize("vcpus", [1, 3])
def test_the_in_memory_driver_keeps_the_promises_of_a_driver(tmp_path: Path, vcpus: int) -> None:
    node = tmp_path / "node.xml"
    node.write_text(NODE.format(domain=definition(f"<vcpu>{vcpus}</vcpu>")))
    made = bound(f"test://{node}")
    shapes = (shape(1), shape(2, "256 MiB"), shape(4, topology={"cores": 4}, pin=[0], quota="50 %", shares=20))
    check_hypervisor(Subject(made, made._connector, VirtualClock(), shapes, boots=False))


# --------------------------------------------------------------------------------------------------------- describing


def test_what_it_says_of_a_guest(host: Outside, driver: LibvirtHypervisor) -> None:
    found = driver.describe()
    assert (found.vcpus, found.memory, found.running) == (2, 512 * 2**20, False)
    # The host of test:///default as libvirt's documentation of the driver has it: 3 GiB; virsh says 32 vCPUs at most.
    assert (found.host_cpus, found.max_vcpus, found.max_memory) == (host.connection.getCPUMap()[2], 32, 3 * 2**30)
    assert "not a VM" in found.kind
    assert "nothing is counted" in found.remarks[0]
    host.domain.create()
    assert driver.describe().running


def test_what_the_owner_set_about_cpu_time_is_remarked(driver: LibvirtHypervisor, host: Outside) -> None:
    host.connection.defineXML(
        definition(
            more="<cputune><shares>20</shares><vcpupin vcpu='0' cpuset='2'/><vcpupin vcpu='1' cpuset='7'/></cputune>"
        )
    )
    found = driver.describe()
    assert "sets shares (cputune), which stays" in found.remarks[-1]
    assert found.host_cpus == 1, "of CPUs 2 and 7 that it may run on, 2 is online"


def test_a_size_that_cannot_change_is_remarked(driver: LibvirtHypervisor, host: Outside) -> None:
    host.connection.defineXML(definition(more=NUMA))
    assert "NUMA cells" in driver.describe().remarks[-1]


def test_a_domain_may_have_another_name_than_in_the_lab(host: Outside) -> None:
    made = bound(domain="test")
    assert made.describe().vcpus == host.connection.lookupByName("test").maxVcpus()
    made.close()


NUMA = "<cpu><numa><cell id='0' cpus='0-1' memory='512' unit='MiB'/></numa></cpu>"


# ------------------------------------------------------------------------------------------------- reshaping, restoring


def test_reshaping_is_seen_from_outside(driver: LibvirtHypervisor, host: Outside) -> None:
    driver.reshape(shape(4, "1 GiB"), driver.save())
    assert host.domain.vcpusFlags(libvirt.VIR_DOMAIN_VCPU_MAXIMUM) == 4
    assert host.domain.maxMemory() == 2**20
    driver.start()
    assert host.domain.isActive()
    assert driver.trouble() is None
    with pytest.raises(HostFault, match="on already"):
        driver.start()


def test_the_whole_definition_comes_back_byte_for_byte_with_its_passwords(
    driver: LibvirtHypervisor, host: Outside
) -> None:
    host.connection.defineXML(definition(devices="<graphics type='vnc' passwd='berth-7'/>"))
    before, saved = host.xml, driver.save()
    assert b"berth-7" in saved.files["domain.xml"]
    for asked in (
        shape(4, "1 GiB"),
        shape(1, pin=[0]),
        shape(4, reshape="live", quota="20 %", topology={"sockets": 4}),
    ):
        driver.reshape(asked, saved)
        assert host.xml != before
    host.domain.setMetadata(libvirt.VIR_DOMAIN_METADATA_TITLE, "changed by somebody", None, None, 2)
    for _ in range(2):
        driver.restore(saved)
        assert host.xml == before


def test_a_guest_in_the_shape_of_a_run_is_told_from_one_in_its_owners(driver: LibvirtHypervisor) -> None:
    saved = driver.save()
    assert driver.describe().shaped_as is None
    for vcpus in (1, 4):
        driver.reshape(shape(vcpus), saved)
        assert driver.describe().shaped_as == f"v{vcpus}"
    driver.restore(saved)
    assert driver.describe().shaped_as is None


RUNS = {
    "as it was": (lambda guest: guest.create(), True, True),
    "with another size": (lambda guest: (guest.setVcpusFlags(1, 2), guest.create()), True, True),
    "but was off": (lambda guest: guest.create(), False, False),
    "not any more": (lambda _guest: None, True, True),
    "paused": (lambda guest: (guest.create(), guest.suspend()), True, True),
}


@pytest.mark.parametrize(("happens", "was_running", "runs"), RUNS.values(), ids=RUNS)
def test_the_power_state_comes_back_too(
    driver: LibvirtHypervisor, host: Outside, happens: Callable[[object], object], was_running: bool, runs: bool
) -> None:
    saved = SavedGuest(driver.save().files, was_running)
    happens(host.domain)
    driver.restore(saved)
    assert bool(host.domain.isActive()) == runs
    assert driver.describe().vcpus == 2
    if runs:
        assert host.domain.state()[0] == libvirt.VIR_DOMAIN_RUNNING
        assert host.domain.info()[3] == 2


def test_a_guest_that_runs_as_it_was_is_not_started_anew(driver: LibvirtHypervisor, host: Outside) -> None:
    host.domain.create()
    number, saved = host.domain.ID(), driver.save()
    driver.restore(saved)
    assert host.domain.ID() == number


def test_a_guest_that_was_removed_comes_back(driver: LibvirtHypervisor, host: Outside) -> None:
    before, saved = host.xml, driver.save()
    host.domain.undefine()
    driver.restore(saved)
    assert host.xml == before


def test_a_guest_that_cannot_be_put_back_is_told_loudly_with_what_to_do(
    driver: LibvirtHypervisor, host: Outside
) -> None:
    saved = SavedGuest(driver.save().files, running=True)
    host.connection.defineXML(definition().replace("000000000001", "000000000002").replace("bookings-1", "other"))
    host.domain.undefine()
    renamed = definition().replace("000000000001", "000000000009")
    host.connection.defineXML(renamed)
    with pytest.raises(RestoreError) as raised:
        driver.restore(saved)
    assert "already exists with uuid" in str(raised.value)
    virsh = f"virsh -c {SHARED}"
    assert driver.by_hand(saved, "/srv/the ferry's run") == [
        f"""{virsh} define '/srv/the ferry'"'"'s run/domain.xml'""",
        f"LC_ALL=C {virsh} domstate bookings-1 | grep -q '^shut off' || {virsh} destroy bookings-1",
        f"{virsh} start bookings-1",
    ]
    assert len(driver.by_hand(SavedGuest(saved.files, running=False), "/srv")) == 2, "one that was off is not started"
    hint, asked = bound(force_off=False).by_hand(saved, "/srv")[1:3]
    assert (hint[0], hint.endswith(f"{virsh} destroy bookings-1")) == ("#", True), "a shell passes over it"
    assert asked.startswith(
        f"until LC_ALL=C {virsh} domstate bookings-1 | grep -q '^shut off'; do {virsh} shutdown "
    ), "one that must not be switched off hard is asked until it goes"
    with pytest.raises(RestoreError, match=r"domain\.xml"):
        driver.restore(SavedGuest({}, running=False))


def test_a_host_that_is_away_while_a_guest_is_put_back_may_be_asked_again(
    driver: LibvirtHypervisor, host: Outside, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, saved = host.xml, driver.save()
    driver.reshape(shape(4), saved)
    define, away = Domain.define, [HostFault("the connection was lost", may_pass=True)]

    def sometimes(domain: Domain, xml: str) -> None:
        if away:
            raise away.pop()
        define(domain, xml)

    monkeypatch.setattr(Domain, "define", sometimes)
    with pytest.raises(RestoreError, match="connection was lost") as raised:
        driver.restore(saved)
    assert raised.value.may_pass
    driver.restore(saved)
    assert host.xml == before


def test_a_definition_that_libvirt_gives_back_otherwise_is_not_put_back(
    driver: LibvirtHypervisor, host: Outside
) -> None:
    saved = driver.save()
    longer = {name: content + b"<!-- by hand -->" for name, content in saved.files.items()}
    with pytest.raises(RestoreError, match="gives back another") as raised:
        driver.restore(SavedGuest(longer, running=True))
    assert not raised.value.may_pass
    assert host.domain.isActive(), "its power state is back all the same"


# ------------------------------------------------------------------------------------------------------------ refusals

REFUSED = [
    ({"vcpus": 33}, "33 vCPUs; the host gives such a guest 32 at most"),
    ({"memory": "4 GiB"}, "4 GiB; the host has 3 GiB"),
    ({"pin": [0, 1, 99]}, "pin to CPU 1, 99; online on the host are 0, "),
    ({"memory": "536870913 B"}, "libvirt defines whole KiB"),
    ({"quota": "0.05 %"}, "which is less than libvirt can set"),
]


@pytest.mark.parametrize(("asked", "says"), REFUSED)
def test_what_the_host_cannot_give_is_refused_before_anything_is_changed(
    driver: LibvirtHypervisor, host: Outside, asked: dict[str, object], says: str
) -> None:
    before, saved, wanted = host.xml, driver.save(), shape(**asked)  # type: ignore[arg-type]
    told = driver.refusal(wanted)
    assert says in (told or "")
    with pytest.raises(HostFault) as raised:
        driver.reshape(wanted, saved)
    assert str(raised.value) == told, "what is told beforehand is why it is refused"
    assert host.xml == before


def test_a_guest_that_is_on_is_told_beforehand_too(driver: LibvirtHypervisor, host: Outside) -> None:
    host.connection.defineXML(definition(more="<memtune><hard_limit unit='MiB'>768</hard_limit></memtune>"))
    host.domain.create()
    assert driver.refusal(shape(4)) is None
    assert "768 MiB of the host's memory at most" in (driver.refusal(shape(1, "1 GiB")) or "")


@pytest.mark.parametrize(
    ("uri", "kind", "refused"),
    [
        ("qemu:///session", "kvm", True),
        ("qemu+unix:///session?socket=/run/s", "qemu", True),
        ("qemu:///system", "kvm", False),
        ("test:///default", "test", False),
    ],
)
def test_a_session_has_no_control_groups(mocker: MockerFixture, uri: str, kind: str, refused: bool) -> None:
    """A connection to QEMU is what cannot exist here: the answers are those that libvirt gives on one."""
    opened = mocker.Mock()
    opened.getCPUMap.return_value = (2, [True, True], 2)
    opened.getInfo.return_value = ["x86_64", 4096]
    opened.getDomainCapabilities.return_value = "<domainCapabilities><vcpu max='255'/></domainCapabilities>"
    opened.getURI.return_value = uri
    connection = mocker.Mock()
    connection.call.side_effect = lambda _asked, action, *_limit: action(opened)
    guest = facts(definition().replace("type='test'", f"type='{kind}'"))
    told = Host(connection).refusal(shape(quota="50 %", shares=50), guest)
    assert ("asks for quota and shares, for which the host's control groups" in (told or "")) == refused
    assert Host(connection).refusal(shape(), guest) is None
    assert "online on the host are 0, 1" in (Host(connection).refusal(shape(pin=[5]), guest) or "")


def test_a_guest_that_is_on_is_not_reshaped(driver: LibvirtHypervisor, host: Outside) -> None:
    saved = driver.save()
    host.domain.create()
    with pytest.raises(HostFault, match="is on; it is reshaped only while it is off"):
        driver.reshape(shape(1), saved)


def test_a_guest_with_numa_cells_is_refused_at_once(driver: LibvirtHypervisor, host: Outside) -> None:
    host.connection.defineXML(definition(more=NUMA))
    with pytest.raises(HostFault, match="NUMA cells with vCPUs of their own"):
        driver.save()
    assert "NUMA cells with vCPUs of their own" in (driver.refusal(shape()) or "")


def test_a_guest_with_a_saved_state_is_refused(driver: LibvirtHypervisor, host: Outside) -> None:
    saved = driver.save()
    host.domain.create()
    host.domain.managedSave()
    for refused in (driver.save, lambda: driver.reshape(shape(1), saved)):
        with pytest.raises(HostFault, match="has a saved state"):
            refused()
    assert driver.trouble() == "its state was saved and it was switched off"


def test_a_transient_guest_is_refused(driver: LibvirtHypervisor, host: Outside) -> None:
    host.domain.undefine()
    host.connection.createXML(definition())
    with pytest.raises(HostFault, match="is transient"):
        driver.save()


def test_a_paused_guest_is_not_saved_since_it_could_not_be_put_back(driver: LibvirtHypervisor, host: Outside) -> None:
    host.domain.create()
    host.domain.suspend()
    with pytest.raises(HostFault, match="neither on nor off: it is paused: somebody has suspended it"):
        driver.save()


def test_a_guest_that_is_not_there_is_named(driver: LibvirtHypervisor, host: Outside) -> None:
    host.domain.undefine()
    with pytest.raises(
        HostFault, match=r"could not read the definition of bookings-1: libvirt at test:///default says"
    ):
        driver.describe()


# -------------------------------------------------------------------------------------------------------- the mark

MARKS = {
    "none": ("", "carries no mark that allows it"),
    "no": (MARK.replace("'yes'", "'no'"), "says may-power-cycle='no'"),
    "another namespace": (MARK.replace("guest/1", "guest/9"), "carries no mark"),
    "without the attribute": (MARK.replace("may-power-cycle", "may"), "says may-power-cycle=nothing"),
}


@pytest.mark.parametrize(("metadata", "says"), MARKS.values(), ids=MARKS)
def test_where_the_lab_asks_for_a_mark_others_are_refused(metadata: str, says: str) -> None:
    with outside(definition(metadata=metadata)):
        made = bound(require_mark=True)
        for question in (made.describe, made.save, lambda: made.reshape(shape(1), bound().save())):
            with pytest.raises(HostFault, match=says) as raised:
                question()
            assert marking_command("bookings-1", SHARED) in str(raised.value)
        made.close()


def test_a_marked_guest_is_taken_and_stays_marked(host: Outside) -> None:
    made = bound(require_mark=True)
    saved = made.save()
    made.reshape(shape(1), saved)
    made.reshape(shape(4), saved)
    assert made.describe().vcpus == 4
    made.close()


def test_an_unmarked_guest_is_taken_where_no_mark_is_asked_for() -> None:
    with outside(definition(metadata="")):
        made = bound()
        assert made.describe().vcpus == 2
        made.close()


# ------------------------------------------------------------------------------------------------------- hot-plugging


def test_vcpus_are_plugged_up_to_the_shape(driver: LibvirtHypervisor, host: Outside) -> None:
    driver.reshape(shape(4, reshape="live"), driver.save())
    assert driver.describe().vcpus == 1
    driver.start()
    assert driver.describe().vcpus == 1
    for _ in range(2):
        driver.plug()
        assert driver.describe().vcpus == host.domain.vcpusFlags(libvirt.VIR_DOMAIN_VCPU_LIVE) == 4


def test_nothing_is_plugged_into_a_guest_that_does_not_run(driver: LibvirtHypervisor, host: Outside) -> None:
    with pytest.raises(GuestFault, match="no vCPUs can be plugged into bookings-1"):
        driver.plug()
    host.domain.create()
    host.domain.suspend()
    with pytest.raises(GuestFault, match="it is paused"):
        driver.plug()


# -------------------------------------------------------------------------------------------------- counters, trouble


def test_a_host_that_counts_nothing_says_so(driver: LibvirtHypervisor, host: Outside) -> None:
    host.domain.create()
    with pytest.raises(HostFault, match="does not count the CPU time of single vCPUs"):
        driver.counters()


TROUBLE = {
    "suspended": (lambda guest: (guest.create(), guest.suspend()), "it is paused: somebody has suspended it"),
    "destroyed": (lambda guest: (guest.create(), guest.destroy()), "it was switched off from outside"),
    "shut down": (lambda guest: (guest.create(), guest.shutdown()), "it was shut down"),
}


@pytest.mark.parametrize(("happens", "says"), TROUBLE.values(), ids=TROUBLE)
def test_trouble_is_told_by_state_and_reason(
    driver: LibvirtHypervisor, host: Outside, happens: Callable[[object], object], says: str
) -> None:
    happens(host.domain)
    assert str(driver.trouble()).startswith(says)
    with pytest.raises(GuestFault, match=says):
        driver.counters()


def test_logins_are_those_of_the_lab(driver: LibvirtHypervisor) -> None:
    assert driver.guest_access().address == "192.0.2.11"
    assert driver.host_access() is None
    assert driver.guest_root() == ""


def test_a_closed_driver_opens_again_when_it_is_asked(driver: LibvirtHypervisor) -> None:
    first = driver.describe()
    driver.close()
    driver.close()
    assert driver.describe() == first
