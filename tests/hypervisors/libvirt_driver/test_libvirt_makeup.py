"""What is kept of a guest's definition, against libvirt's own answers and its domain XML format (formatdomain)."""

from __future__ import annotations

import pytest

libvirt = pytest.importorskip("libvirt")

from libvirt_guest import bound, definition, outside, shape

from orchestrator.core.record.facts import HYPERVISOR_FACTS
from orchestrator.hypervisors.libvirt.makeup import makeup

DISK = (
    "<disk type='file' device='disk'><driver name='qemu' type='qcow2' cache='none' io='native' discard='unmap'/>"
    "<source file='/srv/ferries/bookings.qcow2'/><target dev='vda' bus='virtio'/></disk>"
    "<disk type='file' device='cdrom'><target dev='sda' bus='sata'/></disk>"
)
NETWORK = (
    "<interface type='network'><mac address='52:54:00:00:00:01'/><source network='quay-net'/><model type='virtio'/>"
    "<driver name='vhost' queues='4'/></interface>"
)
MORE = (
    "<cpu mode='host-passthrough' migratable='on'><topology sockets='1' cores='2' threads='1'/>"
    "<feature policy='disable' name='svm'/></cpu>"
    "<features><acpi/><hyperv><relaxed state='on'/><vapic state='off'/></hyperv><vmport state='off'/></features>"
    "<clock offset='utc'><timer name='rtc' tickpolicy='catchup'/><timer name='hpet' present='no'/></clock>"
    "<memoryBacking><hugepages><page size='2048' unit='KiB'/></hugepages><nosharepages/><locked/></memoryBacking>"
    "<cputune><shares>2048</shares><emulatorpin cpuset='0-1'/></cputune>"
)
EXPECTED = {
    "acceleration": "test",
    "machine_type": "x86_64",
    "cpu_mode": "host-passthrough, migratable on, -svm",
    "features": "acpi, hyperv relaxed",
    "timers": "offset utc, rtc tickpolicy catchup, hpet absent",
    "boot_firmware": "left to the hypervisor",
    "disk_drivers": "vda: virtio, qcow2, file, cache none, io native, discard unmap",
    "network_drivers": "virtio on network, name vhost, queues 4",
    "ballooning": "virtio, autodeflate on",
    "memory_backing": "huge pages 2048 KiB, never merged, locked",
    "cpu_tuning": "shares 2048, emulatorpin cpuset 0-1",
}


def test_a_guests_makeup_is_told_whatever_its_shape_and_without_names_of_files_and_networks() -> None:
    devices = DISK + NETWORK + "<memballoon model='virtio' autodeflate='on'/>"
    with outside(definition(more=MORE, devices=devices)) as host:
        driver = bound()
        saved = driver.save()
        found = dict(driver.facts(saved))
        assert {key: found[key] for key in EXPECTED} == EXPECTED
        assert found.keys() <= HYPERVISOR_FACTS.keys()
        assert not any(name in str(found) for name in ("srv", "quay-net", "52:54"))
        driver.reshape(shape(4, quota="150 %", pin=[0, 2]), saved)
        host.domain.create()
        assert driver.facts(saved) == found, "neither a shape nor power changes anything"
        driver.close()


def test_versions_and_other_guests_are_those_that_libvirt_gives() -> None:
    """virConnectGetLibVersion: 1,000,000 * major + 1,000 * minor + release."""
    with outside() as host:
        driver = bound()
        found = driver.facts(driver.save())
        number = host.connection.getLibVersion()
        major, minor, release = (str(part) for part in (number // 10**6, number // 1000 % 1000, number % 1000))
        assert found["manager_version"] == f"libvirt {major}.{minor}.{release}"
        assert (found["hypervisor_version"] or "").startswith(f"{host.connection.getType()} ")
        assert found["other_guests"] == str(len(host.connection.listDomainsID())) == "1"
        host.domain.create()
        assert driver.facts(driver.save())["other_guests"] == "1", "the guest itself is none of the others"
        driver.close()


def test_what_a_definition_leaves_open_is_said_to_be_left_open() -> None:
    bare = "<domain type='qemu'><name>g</name><os><type arch='x86_64' machine='pc-q35-7.2'>hvm</type></os></domain>"
    found = makeup(bare, bare)
    assert (found["acceleration"], found["machine_type"]) == ("none: software emulation", "pc-q35-7.2 x86_64")
    assert found["cpu_mode"] == found["timers"] == found["ballooning"] == "left to the hypervisor"
    assert found["disk_drivers"] == found["network_drivers"] == found["cpu_tuning"] == found["features"] == "none"
    assert found["memory_backing"] == "ordinary"


def test_firmware_and_host_model_are_told_from_a_running_definition() -> None:
    """As libvirt expands ``host-model`` for a guest that runs (formatdomain, CPU model and topology)."""
    xml = (
        "<domain type='kvm'><name>g</name><os firmware='efi'><type arch='x86_64' machine='pc-q35-9.0'>hvm</type>"
        "<loader readonly='yes' secure='yes' type='pflash'>/usr/share/OVMF/OVMF_CODE.fd</loader></os>"
        "<cpu mode='custom' match='exact'><model fallback='forbid'>Skylake-Server</model>"
        "<feature policy='require' name='x2apic'/><feature policy='disable' name='hle'/></cpu>"
        "<vcpu cpuset='2-3'>2</vcpu><iothreads>2</iothreads>"
        "<numatune><memory mode='strict' nodeset='0'/></numatune></domain>"
    )
    found = makeup(xml, xml)
    assert found["cpu_mode"] == "custom Skylake-Server, match exact, +x2apic, -hle"
    assert found["boot_firmware"] == "pflash OVMF_CODE.fd secure boot"
    assert found["cpu_tuning"] == "vCPUs on CPUs 2,3, iothreads 2"
    assert found["memory_backing"] == "NUMA strict 0"
