"""What a sample of 1, 16 and 64 vCPUs costs the host: libvirt's bulk statistics against schedstat over SSH.

    python tests/benchmarks/bench_vcpu_counters.py [--quick]

Needs what `trialbed sandbox up` needs. CPU time on the host is that of libvirt's daemon, or of the SSH session with the
sampler in it, from their threads' schedstat; beside it stands how long the controller waits for an answer. The guest is
paused, so that it does not stand in the way.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import libvirt
import yaml

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.samplers.sampler import Samplers
from orchestrator.adapters.ssh import SshConnector
from orchestrator.cli import invoke
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.hypervisors.libvirt.connection import Connection
from orchestrator.hypervisors.libvirt.domain import Domain
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver

VCPUS = (1, 16, 64)
GUEST = "bookings-1"
CLOCK = SystemClock()


def family(pid: int) -> set[int]:
    """A process and everything below it."""
    found, fresh = {pid}, {pid}
    while fresh:
        fresh = {
            int(child)
            for parent in fresh
            for children in Path(f"/proc/{parent}/task").glob("*/children")
            for child in children.read_text().split()
        } - found
        found |= fresh
    return found


def cpu_s(pid: int) -> float:
    """CPU seconds of every thread of a process and of what descends from it."""
    files = (file for member in family(pid) for file in Path(f"/proc/{member}/task").glob("*/schedstat"))
    return sum(int(file.read_text().split()[0]) for file in files) / 1e9


def cost(take: Callable[[], object], pid: int, samples: int) -> tuple[float, float]:
    """CPU milliseconds a sample on the host, and the median wait for an answer."""
    take()
    waits = []
    before = cpu_s(pid)
    for _ in range(samples):
        began = time.perf_counter()
        take()
        waits.append(time.perf_counter() - began)
    return (cpu_s(pid) - before) / samples * 1000, statistics.median(waits) * 1000


def start_paused(opened: libvirt.virConnect) -> None:
    """Have the guest's process and threads, and nothing that runs in them."""
    opened.lookupByName(GUEST).createWithFlags(libvirt.VIR_DOMAIN_START_PAUSED)


def compare(lab: Lab, state: dict[str, dict[str, int]], samples: int) -> None:
    """Both ways, for each number of vCPUs, in turns."""
    connector = SshConnector(CLOCK)
    hypervisor = LibvirtDriver().open(GUEST, lab, CLOCK, connector).hypervisor
    host = lab.host_of(GUEST)
    assert host.uri is not None
    assert host.ssh is not None
    connection = Connection(host.uri)
    saved = hypervisor.save()
    shell = connector.connect(host.ssh, machine="host", timeout_s=20.0)
    try:
        for vcpus in VCPUS:
            shape = Shape.model_validate({"name": "wide", "vcpus": vcpus, "memory": "1 GiB"})
            hypervisor.reshape(shape, saved)
            connection.call(
                "start paused",
                lambda opened: opened.lookupByName(GUEST).createWithFlags(libvirt.VIR_DOMAIN_START_PAUSED),
            )
            threads = hypervisor.vcpu_threads(shell)
            assert len(threads) == vcpus, f"{len(threads)} of {vcpus} threads were found"
            domain = Domain(connection, GUEST)
            sampler = Samplers(CLOCK).open(shell, machine="host", threads=list(threads.values()))
            bulk, bulk_wait = cost(lambda domain=domain: domain.statistics(CLOCK), state["daemon"]["pid"], samples)
            ssh, ssh_wait = cost(sampler.sample, state["login"]["pid"], samples)
            sampler.close()
            domain.pull_the_plug()
            print(
                f"vCPU counters: {vcpus:>2} vCPUs: bulk statistics {bulk:.2f} ms of CPU, answer in {bulk_wait:.1f} ms; "
                f"schedstat over SSH ({sampler.method}) {ssh:.2f} ms, answer in {ssh_wait:.1f} ms "
                f"(ratio {bulk / ssh:.1f})"
            )
    finally:
        shell.close()
        hypervisor.restore(saved)
        hypervisor.close()
        connection.close()


def main() -> int:
    """Make a sandbox, measure, remove it."""
    samples = 60 if "--quick" in sys.argv[1:] else 300
    # The guests' account passes through; the name is short since a Unix socket's path has 108 bytes at most.
    with tempfile.TemporaryDirectory(prefix="tb") as name:
        place = Path(name)
        place.chmod(0o711)
        where = ["--folder", str(place / "s")]
        try:
            if invoke(["sandbox", "up", *where, "--image", "small", "--lab", str(place / "lab.yaml")]) != 0:
                return 1
            lab = Lab.model_validate(yaml.safe_load((place / "lab.yaml").read_text()))
            compare(lab, json.loads((place / "s" / "state.json").read_text()), samples)
        finally:
            invoke(["sandbox", "down", *where])
    return 0


if __name__ == "__main__":
    sys.exit(main())
