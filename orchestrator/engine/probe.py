"""Readiness of a lab, line by line: logs in and reads, changes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from orchestrator.core.design.neighbour import Neighbour, guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.wording import printable
from orchestrator.core.measure.clock import best_offset
from orchestrator.core.measure.shares import host_busy
from orchestrator.engine.bench import Bench
from orchestrator.engine.busy_loops import busy_loops
from orchestrator.engine.neighbour_load import Place
from orchestrator.engine.ports import Description, Sampler, Shell
from orchestrator.errors import StageError
from orchestrator.units import format_percent, format_size

_LOOK_S = 1.0
_BUSY_ABOVE = 0.05
_NEEDED_DISK_BYTES = 256 * 2**20


@dataclass(frozen=True)
class Readiness:
    """One line of the probe.

    Attributes:
        state: ``ready``; ``look`` where a person should decide; ``not ready`` where a run would fail; ``unavailable``
            where it could not be found out.
    """

    what: str
    state: Literal["ready", "look", "not ready", "unavailable"]
    detail: str


def probe(plan: Plan, bench: Bench) -> list[Readiness]:
    """Look at host and guest as they are now."""
    return list(_lines(plan, bench))


def _lines(plan: Plan, bench: Bench) -> Iterator[Readiness]:
    try:
        description = bench.hypervisor.describe()
    except StageError as error:
        yield Readiness("hypervisor", "not ready", str(error))
        return
    power = "running" if description.running else "off"
    yield Readiness("hypervisor", "ready", f"{bench.hypervisor.name}: {description.kind}, {power} now")
    if (shape := description.shaped_as) is not None:
        yield Readiness(
            "definition", "not ready", f"it is in shape {shape} of another run, under way or killed; resume that"
        )
    yield from _shapes(plan, description)
    for remark in description.remarks:
        yield Readiness("guest", "look", remark)
    yield from _machine(bench, "host")
    yield from _neighbours(plan, bench)
    if description.running:
        yield from _machine(bench, "guest")
        yield _counters(bench)
    else:
        for what in ("guest ssh", "vCPU counters"):
            yield Readiness(what, "unavailable", "the guest is off, and a check does not start it")


def _shapes(plan: Plan, description: Description) -> Iterator[Readiness]:
    for shape in plan.shapes:
        what = f"shape {shape.name}"
        if description.max_vcpus is not None and shape.vcpus > description.max_vcpus:
            yield Readiness(
                what, "not ready", f"{shape.vcpus} vCPUs where the host gives {description.max_vcpus} at most"
            )
        elif description.max_memory is not None and shape.memory > description.max_memory:
            yield Readiness(
                what,
                "not ready",
                f"{format_size(shape.memory)} where the host has {format_size(description.max_memory)}",
            )
        elif shape.vcpus > description.host_cpus:
            detail = f"{shape.vcpus} vCPUs on {description.host_cpus} physical CPUs: they will wait for each other"
            yield Readiness(what, "look", detail)
        else:
            yield Readiness(
                what,
                "ready",
                f"{shape.vcpus} {'vCPU' if shape.vcpus == 1 else 'vCPUs'} and {format_size(shape.memory)} fit the host",
            )


def _neighbours(plan: Plan, bench: Bench) -> Iterator[Readiness]:
    """Whether what is declared to run beside the guest can; nothing is started."""
    for guest in guests_of(plan.neighbours):
        what = f"neighbour's guest {guest}"
        try:
            running = bench.neighbours[guest].describe().running
        except StageError as error:
            yield Readiness(what, "not ready", str(error))
            continue
        yield Readiness(what, "ready", "running now; used as it is" if running else "off now; the run starts it")
    host = Place(bench, None, bench.hypervisor)
    try:
        for neighbour in plan.neighbours:
            if neighbour.guest is None and neighbour.loops is not None:
                yield _loops(neighbour, host)
    finally:
        host.leave()


def _loops(neighbour: Neighbour, host: Place) -> Readiness:
    what = f"neighbour {neighbour.name}"
    try:
        done = host.ready().run(busy_loops(0, neighbour.pin or ()))  # looks at the CPUs and makes none
    except StageError as error:
        return Readiness(what, "not ready", str(error))
    if done.status != 0:
        return Readiness(what, "not ready", printable(done.errors.strip()))
    return Readiness(what, "ready", str(neighbour))


def _machine(bench: Bench, machine: Literal["host", "guest"]) -> Iterator[Readiness]:
    access = bench.hypervisor.host_access() if machine == "host" else bench.hypervisor.guest_access()
    if access is None:
        yield Readiness(
            f"{machine} ssh", "unavailable", "the lab gives no ssh access to it; its own counters will be missing"
        )
        return
    shell: Shell | None = None
    sampler: Sampler | None = None
    try:
        shell = bench.connector.connect(access, machine=machine, timeout_s=20.0)
        yield Readiness(f"{machine} ssh", "ready", f"{access.user}@{access.address}:{access.port}, host key verified")
        yield _disk(shell, machine)
        if machine == "host":
            yield from _threads(bench, shell)
        root = bench.hypervisor.guest_root() if machine == "guest" else ""
        sampler = bench.samplers.open(shell, machine=machine, root=root)
        yield _clock(sampler, machine)
        yield from _load(bench, sampler, machine)
    except StageError as error:
        yield Readiness(f"{machine} ssh", "not ready", str(error))
    finally:
        for close in _closers(sampler, shell):
            close()


def _threads(bench: Bench, shell: Shell) -> Iterator[Readiness]:
    """Whether the vCPUs' threads can be looked at on the host; only while the guest runs are there any."""
    try:
        if not bench.hypervisor.describe().running:
            return
        threads = bench.hypervisor.vcpu_threads(shell)
    except StageError as error:
        yield Readiness("vCPU threads", "unavailable", f"the vCPU counters stand alone: {error}")
        return
    if threads:
        found = "1 found" if len(threads) == 1 else f"{len(threads)} found"
        yield Readiness("vCPU threads", "ready", f"{found} on the host, to check the vCPU counters against")
    else:
        yield Readiness("vCPU threads", "unavailable", "not to be found on the host: the vCPU counters stand alone")


def _closers(sampler: Sampler | None, shell: Shell | None) -> list[Callable[[], None]]:
    return [part.close for part in (sampler, shell) if part is not None]


def _disk(shell: Shell, machine: str) -> Readiness:
    done = shell.run(["df", "-kP", "."])
    fields = done.output.splitlines()[-1].split() if done.status == 0 and done.output.strip() else []
    if len(fields) < 6 or not fields[3].isdecimal():
        return Readiness(f"{machine} disk", "unavailable", "df did not tell")
    free = int(fields[3]) * 1024
    state: Literal["ready", "look"] = "ready" if free >= _NEEDED_DISK_BYTES else "look"
    return Readiness(f"{machine} disk", state, f"{format_size(free)} free in the login's home")


def _clock(sampler: Sampler, machine: str) -> Readiness:
    best = best_offset([sampler.exchange() for _ in range(10)])
    detail = (
        f"answers within {best.uncertainty_s * 2000:.1f} ms; offset known within {best.uncertainty_s * 1000:.1f} ms"
    )
    return Readiness(f"{machine} clock", "ready", detail)


def _load(bench: Bench, sampler: Sampler, machine: str) -> Iterator[Readiness]:
    first = sampler.sample()
    bench.clock.sleep(_LOOK_S)
    last = sampler.sample()
    names = sorted({name.split(".")[0].rstrip("0123456789") for name in last.values if "." in name})
    yield Readiness(
        f"{machine} counters", "ready" if names else "not ready", f"{', '.join(names) or 'none'} by {sampler.method}"
    )
    busy = host_busy([first, last], first.time_s, last.time_s)
    if busy is None:
        yield Readiness(f"{machine} load", "unavailable", "CPU counters are missing")
    else:
        state: Literal["ready", "look"] = "ready" if busy <= _BUSY_ABOVE else "look"
        yield Readiness(f"{machine} load", state, f"{format_percent(busy)} of its CPU time in use now")


def _counters(bench: Bench) -> Readiness:
    try:
        values = bench.hypervisor.counters().values
    except StageError as error:
        return Readiness("vCPU counters", "not ready", str(error))
    if not any(name.endswith(".wait_ns") for name in values):
        return Readiness("vCPU counters", "look", "run is there, wait is unavailable: contention cannot be seen")
    return Readiness("vCPU counters", "ready", "run and wait for each vCPU")
