"""Readiness of a lab, line by line: logs in and reads, changes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal, TypeAlias

from orchestrator.core.design.neighbour import Neighbour, guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed, printable, shown
from orchestrator.core.measure.clock import best_offset
from orchestrator.core.measure.shares import host_busy
from orchestrator.engine.bench import Bench
from orchestrator.engine.busy_loops import busy_loops
from orchestrator.engine.neighbour_load import Place
from orchestrator.engine.ports import Description, Hypervisor, Sampler, Shell
from orchestrator.errors import StageError
from orchestrator.units import format_percent, format_size

_LOOK_S = 1.0
_BUSY_ABOVE = 0.05
_NEEDED_DISK_BYTES = 256 * 2**20
_LOG_IN_WITHIN_S = 20.0
_WITHOUT_HOST = "the run goes on without the host's own counters"
#: The program's name is an argument, and nothing that a shell reads.
_IS_THERE = 'command -v "$1"'

State: TypeAlias = Literal["ready", "look", "not ready", "unavailable"]


@dataclass(frozen=True)
class Readiness:
    """One line of the probe.

    Attributes:
        state: ``ready``; ``look`` where a person should decide; ``not ready`` where a run would fail; ``unavailable``
            where it could not be found out.
    """

    what: str
    state: State
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
    yield from _definition(bench, description)
    yield from _leases(plan, bench)
    for shape in plan.shapes:
        yield _shape(shape, bench, description)
    for remark in description.remarks:
        yield Readiness("guest", "look", remark)
    on_host = [neighbour for neighbour in plan.neighbours if neighbour.guest is None]
    yield from _machine(bench, "host", "not ready" if on_host else "look")
    yield from _loads(on_host, Place(bench, None, bench.hypervisor).ready)
    for guest in guests_of(plan.neighbours):
        yield from _carrier(bench, guest, [neighbour for neighbour in plan.neighbours if neighbour.guest == guest])
    if description.running:
        yield from _machine(bench, "guest", "not ready")
        yield _counters(bench)
    else:
        off = "the guest is off, and a check does not start it"
        obstacle = _obstacle(bench, bench.hypervisor)
        yield Readiness("guest ssh", "not ready" if obstacle else "unavailable", obstacle or off)
        yield Readiness("vCPU counters", "unavailable", off)


def _definition(bench: Bench, description: Description) -> Iterator[Readiness]:
    """Whether the guest could be put back as it is now."""
    if (shape := description.shaped_as) is not None:
        yield Readiness(
            "definition", "not ready", f"it is in shape {shape} of another run, under way or killed; resume that"
        )
        return
    try:
        bench.hypervisor.save()
    except StageError as error:
        yield Readiness("definition", "not ready", str(error))


def _leases(plan: Plan, bench: Bench) -> Iterator[Readiness]:
    """Whether somebody else uses the host or a guest now."""
    if not bench.leases.where:
        return
    try:
        found = bench.leases.look()
    except StageError as error:
        yield Readiness("leases", "not ready", str(error))
        return
    barred = [lease for lease in found if not (plan.share_host and lease.shared)]
    for lease in barred:
        yield Readiness("leases", "not ready", f"{lease.name} is {lease.state}: {lease.holder}, {lease.standing}")
    if not barred:
        beside = f" but for {listed([lease.holder for lease in found])}, who share the host too" if found else ""
        yield Readiness("leases", "ready", f"host and guest are free{beside}; {bench.leases.where}")


def _shape(shape: Shape, bench: Bench, description: Description) -> Readiness:
    what = f"shape {shape.name}"
    try:
        refusal = bench.hypervisor.refusal(shape)
    except StageError as error:
        return Readiness(what, "not ready", str(error))
    if refusal is not None:
        return Readiness(what, "not ready", refusal)
    if shape.vcpus > description.host_cpus:
        detail = f"{shape.vcpus} vCPUs on {description.host_cpus} physical CPUs: they will wait for each other"
        return Readiness(what, "look", detail)
    vcpus = "1 vCPU" if shape.vcpus == 1 else f"{shape.vcpus} vCPUs"
    return Readiness(what, "ready", f"{vcpus} and {format_size(shape.memory)} fit the host")


def _carrier(bench: Bench, guest: str, neighbours: Sequence[Neighbour]) -> Iterator[Readiness]:
    """Whether a guest that neighbours run in can be used; it is not started."""
    what, hypervisor = f"neighbour's guest {guest}", bench.neighbours[guest]
    try:
        running = hypervisor.describe().running
    except StageError as error:
        yield Readiness(what, "not ready", str(error))
        return
    if (obstacle := _obstacle(bench, hypervisor)) is not None:
        yield Readiness(what, "not ready", obstacle)
        return
    yield Readiness(what, "ready", "running now; used as it is" if running else "off now; the run starts it")
    if running:
        yield from _loads(neighbours, lambda: _guest_login(bench, hypervisor))


def _obstacle(bench: Bench, hypervisor: Hypervisor) -> str | None:
    """What is missing on this machine for a login in a guest, on or off."""
    try:
        access = hypervisor.guest_access()
    except StageError:
        return None  # where it is logged in to is known only once it has been started
    return bench.connector.obstacle(access, machine="guest")


def _guest_login(bench: Bench, hypervisor: Hypervisor) -> Shell:
    return bench.connector.connect(hypervisor.guest_access(), machine="guest", timeout_s=_LOG_IN_WITHIN_S)


def _loads(neighbours: Sequence[Neighbour], log_in: Callable[[], Shell]) -> Iterator[Readiness]:
    """Whether neighbours could run on their machine; none is started."""
    if not neighbours:
        return
    try:
        shell = log_in()
    except StageError as error:
        for neighbour in neighbours:
            yield Readiness(f"neighbour {neighbour.name}", "not ready", str(error))
        return
    try:
        for neighbour in neighbours:
            yield _neighbour(neighbour, shell)
    finally:
        shell.close()


def _neighbour(neighbour: Neighbour, shell: Shell) -> Readiness:
    what = f"neighbour {neighbour.name}"
    try:
        if neighbour.command is not None:
            there = shell.run(["/bin/sh", "-c", _IS_THERE, "sh", neighbour.command[0]]).status == 0
            reason = None if there else f"there is no program {shown(neighbour.command[0])} that its login could run"
        else:
            done = shell.run(busy_loops(0, neighbour.pin or ()))  # looks at the CPUs and makes none
            reason = printable(done.errors.strip()) if done.status != 0 else None
    except StageError as error:
        reason = str(error)
    return Readiness(what, "ready", str(neighbour)) if reason is None else Readiness(what, "not ready", reason)


def _machine(bench: Bench, machine: Literal["host", "guest"], failing: State) -> Iterator[Readiness]:
    """Login, disk, clock, counters and load of a machine.

    Args:
        bench: the world.
        machine: which.
        failing: what it means that it cannot be logged in to: a run does without the host, unless neighbours run there.
    """
    access = bench.hypervisor.host_access() if machine == "host" else bench.hypervisor.guest_access()
    if access is None:
        yield Readiness(
            f"{machine} ssh", "unavailable", "the lab gives no ssh access to it; its own counters will be missing"
        )
        return
    if (obstacle := bench.connector.obstacle(access, machine=machine)) is not None:
        yield Readiness(f"{machine} ssh", "not ready", obstacle)
        return
    what = f"{machine} ssh"
    shell: Shell | None = None
    sampler: Sampler | None = None
    try:
        shell = bench.connector.connect(access, machine=machine, timeout_s=_LOG_IN_WITHIN_S)
        yield Readiness(what, "ready", f"{access.user}@{access.address}:{access.port}, host key verified")
        what, failing = f"{machine} counters", "look" if machine == "host" else "not ready"
        yield _disk(shell, machine)
        if machine == "host":
            yield from _threads(bench, shell)
        root = bench.hypervisor.guest_root() if machine == "guest" else ""
        sampler = bench.samplers.open(shell, machine=machine, root=root)
        yield _clock(sampler, machine)
        yield from _load(bench, sampler, machine)
    except StageError as error:
        yield Readiness(what, failing, f"{error}; {_WITHOUT_HOST}" if failing == "look" else str(error))
    finally:
        for part in (sampler, shell):
            if part is not None:
                with suppress(StageError):  # what was found out stands, however it ends
                    part.close()


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
    without: State = "not ready" if machine == "guest" else "look"
    yield Readiness(
        f"{machine} counters", "ready" if names else without, f"{', '.join(names) or 'none'} by {sampler.method}"
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
