"""What every driver promises the engine, as one check for authors of drivers; real drivers and the simulation pass it.

The guest that is handed in gets powered off, reshaped and started: use one that may be.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

from orchestrator.core.design.shape import FEATURES, Shape, Topology
from orchestrator.core.measure.samples import Sample
from orchestrator.core.record.facts import HYPERVISOR_FACTS
from orchestrator.engine.bring_online import bring_online
from orchestrator.engine.inside import PowerOn, count_cpus, look_inside, verify
from orchestrator.engine.ports import Clock, Connector, Description, Hypervisor, SavedGuest, Shell
from orchestrator.errors import HostFault, StageError, TrialbedError
from orchestrator.testing.insist import insist, insist_raises
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds

_PAUSE_S: Seconds = 0.1
_MEBIBYTE = 2**20
_SCHEDSTAT = re.compile(r"/proc/\d+/task/\d+/schedstat")


@dataclass(frozen=True)
class Subject:
    """A driver bound to a guest, and what it takes to log in there.

    Attributes:
        shapes: sizes that the host can give, at least two of them with different numbers of vCPUs.
        boot_within_s: how long the guest may take until it can be logged in to.
        observe_s: time between the two readings of the counters.
        boots: whether its guests really run; with ``False``, for a hypervisor that only pretends, neither logins nor
            counters are checked.
    """

    hypervisor: Hypervisor
    connector: Connector
    clock: Clock
    shapes: Sequence[Shape]
    boot_within_s: Seconds = 60.0
    stop_within_s: Seconds = 60.0
    observe_s: Seconds = 0.5
    boots: bool = True


def check_hypervisor(subject: Subject) -> None:
    """Check the whole contract of :class:`~orchestrator.engine.ports.Hypervisor` and close the driver.

    Raises:
        AssertionError: with the promise that was broken.
    """
    hypervisor = subject.hypervisor
    saved = _looking_changes_nothing(subject)
    try:
        _off_is_off(subject)
        _refuses_what_it_cannot_give(subject, saved)
        _shapes_depend_on_the_saved_guest_only(subject, saved)
        last_boot_id: str | None = None
        for shape in subject.shapes:
            last_boot_id = _gives_the_shape(subject, shape, saved, last_boot_id)
        if subject.boots and "live" in hypervisor.features:
            _plugs(subject, saved)
        _puts_back(hypervisor, saved)
    finally:
        with suppress(TrialbedError):  # the guest goes back even where a promise was broken; that is what is reported
            hypervisor.restore(saved)
        hypervisor.close()
        hypervisor.close()


def _looking_changes_nothing(subject: Subject) -> SavedGuest:
    hypervisor = subject.hypervisor
    before = hypervisor.describe()
    saved = hypervisor.save()
    insist(bool(before.kind), "describe says what the guests are called")
    insist(
        bool(saved.files) and all(isinstance(c, bytes) for c in saved.files.values()),
        "save gives the definition as bytes",
    )
    insist(saved.running == before.running, "save and describe agree on the power state")
    for shape in subject.shapes:
        told = hypervisor.refusal(shape)
        insist(told is None, f"nothing speaks against shape {shape.name}, which the host can give; told is {told!r}")
    lines = hypervisor.by_hand(saved, "/srv/a run's/before")
    insist(
        all(isinstance(line, str) and line.strip() and line.isprintable() for line in lines),
        f"by_hand gives lines for a shell; got {lines!r}",
    )
    _tells_facts(hypervisor, saved)
    insist(hypervisor.describe() == before, "describe, save, facts, refusal and by_hand change nothing")
    insist(_same(hypervisor.save(), saved), "saving twice gives the same bytes")
    return saved


def _tells_facts(hypervisor: Hypervisor, saved: SavedGuest) -> dict[str, str | None]:
    """The facts that stay as they are while nobody changes the host."""
    facts = dict(hypervisor.facts(saved))
    insist(facts.keys() <= HYPERVISOR_FACTS.keys(), f"facts are among {', '.join(HYPERVISOR_FACTS)}; got {list(facts)}")
    insist(
        all(value is None or (value.strip() and "\n" not in value) for value in facts.values()),
        f"a fact is one line of text, or None where it is not known; got {facts}",
    )
    return {key: value for key, value in facts.items() if HYPERVISOR_FACTS[key].changes == "rarely"}


def _off_is_off(subject: Subject) -> None:
    hypervisor = subject.hypervisor
    hypervisor.stop(subject.stop_within_s)
    insist(not hypervisor.describe().running, "after stop the guest is off")
    hypervisor.stop(subject.stop_within_s)
    insist(not hypervisor.describe().running, "stop is harmless when the guest is off")
    insist_raises(StageError, hypervisor.counters, "a guest that is off has no counters")
    insist(bool(hypervisor.trouble()), "of a guest that is off, trouble says so")


def _refuses_what_it_cannot_give(subject: Subject, saved: SavedGuest) -> None:
    hypervisor = subject.hypervisor
    insist(hypervisor.features <= FEATURES, f"features are among {', '.join(sorted(FEATURES))}")
    plain = subject.shapes[0]
    asked = {
        "topology": plain.model_copy(update={"topology": Topology(cores=plain.vcpus)}),
        "quota": plain.model_copy(update={"quota": 0.5}),
        "shares": plain.model_copy(update={"shares": 50}),
        "pin": plain.model_copy(update={"pin": (0,)}),
        "live": plain.model_copy(update={"reshape": "live"}),
    }
    for feature in sorted(set(asked) - hypervisor.features):
        told = _refuses(hypervisor, asked[feature], saved, feature)
        insist(feature in told, f"the refusal names {feature}; it says: {told}")
    known = hypervisor.describe()
    if known.max_vcpus is not None:
        more = plain.model_copy(update={"vcpus": known.max_vcpus + 1})
        _refuses(hypervisor, more, saved, "more vCPUs than described as the most")
    if known.max_memory is not None:
        larger = plain.model_copy(update={"memory": known.max_memory + _MEBIBYTE})
        _refuses(hypervisor, larger, saved, "more memory than described as the most")
    insist(dict(hypervisor.save().files) == dict(saved.files), "a refused shape changes nothing")


def _refuses(hypervisor: Hypervisor, shape: Shape, saved: SavedGuest, what: str) -> str:
    """Insist that a shape is refused, beforehand and when it is asked for; returns what is said beforehand."""
    told = hypervisor.refusal(shape)
    insist_raises(HostFault, partial(hypervisor.reshape, shape, saved), f"{what} is refused")
    insist(bool(told), f"{what} is refused, and refusal tells so beforehand")
    return told or ""


def _shapes_depend_on_the_saved_guest_only(subject: Subject, saved: SavedGuest) -> None:
    hypervisor, (one, other) = subject.hypervisor, subject.shapes[:2]
    hypervisor.reshape(other, saved)
    alone, facts = dict(hypervisor.save().files), _tells_facts(hypervisor, saved)
    hypervisor.reshape(one, saved)
    told = _tells_facts(hypervisor, saved)
    insist(told == facts, f"facts do not depend on the shape; they are {facts} and {told}")
    hypervisor.reshape(other, saved)
    insist(
        dict(hypervisor.save().files) == alone,
        f"shape {other.name} is defined the same, byte for byte, whether the guest had shape {one.name} before or not",
    )


def _gives_the_shape(subject: Subject, shape: Shape, saved: SavedGuest, last_boot_id: str | None) -> str | None:
    hypervisor = subject.hypervisor
    hypervisor.reshape(shape, saved)
    _insist_size(hypervisor.describe(), shape, running=False)
    power_on = PowerOn(subject.clock, subject.clock.monotonic(), last_boot_id)
    hypervisor.start()
    _insist_size(hypervisor.describe(), shape, running=True)
    insist(hypervisor.trouble() is None, f"of a guest that runs there is no trouble; told is {hypervisor.trouble()!r}")
    seen = _looks_right(subject, shape, power_on) if subject.boots else {}
    hypervisor.stop(subject.stop_within_s)
    _insist_size(hypervisor.describe(), shape, running=False)
    return seen.get("boot_id")


def _looks_right(subject: Subject, shape: Shape, power_on: PowerOn) -> dict[str, str]:
    shell = _log_in(subject)
    try:
        seen = verify(shell, subject.hypervisor.guest_root(), shape, subject.boot_within_s, power_on)
        _counts(subject, shape)
        _names_threads(subject, shape)
    finally:
        shell.close()
    return seen


def _plugs(subject: Subject, saved: SavedGuest) -> None:
    """Plugged vCPUs come while the guest runs; once they are online, it has the shape as if it had booted with it."""
    hypervisor = subject.hypervisor
    largest = max(subject.shapes, key=lambda shape: shape.vcpus)
    shape = largest.model_copy(update={"name": f"{largest.name}-live", "reshape": "live"})
    hypervisor.reshape(shape, saved)
    power_on = PowerOn(subject.clock, subject.clock.monotonic())
    hypervisor.start()
    shell = _log_in(subject)
    try:
        root = hypervisor.guest_root()
        booted = look_inside(shell, root, subject.boot_within_s).get("online", "")
        insist(booted != "" and count_cpus(booted) == 1, f"a live shape boots with one vCPU; online are {booted!r}")
        hypervisor.plug()
        bring_online(shell, root, shape.vcpus, subject.clock)
        verify(shell, root, shape, subject.boot_within_s, power_on)
        _counts(subject, shape)
        _names_threads(subject, shape)
    finally:
        shell.close()
    hypervisor.stop(subject.stop_within_s)


def _names_threads(subject: Subject, shape: Shape) -> None:
    """All of the vCPUs' threads are named, or none; those that are can be read on the host."""
    access = subject.hypervisor.host_access()
    if access is None:
        return
    shell = subject.connector.connect(access, machine="host", timeout_s=subject.boot_within_s)
    try:
        threads = subject.hypervisor.vcpu_threads(shell)
        if not threads:
            return
        insist(sorted(threads) == list(range(shape.vcpus)), f"a thread for each of {shape.vcpus} vCPUs; got {threads}")
        insist(len(set(threads.values())) == shape.vcpus, f"no two vCPUs have one thread; got {threads}")
        for path in threads.values():
            insist(_SCHEDSTAT.fullmatch(path) is not None, f"{path} is like /proc/PID/task/TID/schedstat")
            fields = shell.run(["cat", path]).output.split()
            insist(len(fields) == 3 and all(f.isdecimal() for f in fields), f"{path} holds three numbers; got {fields}")
    finally:
        shell.close()


def _log_in(subject: Subject) -> Shell:
    access = subject.hypervisor.guest_access()
    until_s = subject.clock.monotonic() + subject.boot_within_s
    while True:
        left_s = until_s - subject.clock.monotonic()
        try:
            return subject.connector.connect(access, machine="guest", timeout_s=max(left_s, _PAUSE_S))
        except StageError as error:
            if not error.may_pass or left_s <= 0:
                raise
            subject.clock.sleep(_PAUSE_S)


def _counts(subject: Subject, shape: Shape) -> None:
    first = subject.hypervisor.counters()
    subject.clock.sleep(subject.observe_s)
    second = subject.hypervisor.counters()
    insist(first.uncertainty_s >= 0 and second.uncertainty_s >= 0, "uncertainty is not negative")
    insist(second.time_s > first.time_s, "controller time goes forward from sample to sample")
    wall_ns = second.source_ns - first.source_ns
    insist(wall_ns > 0, "the source's clock goes forward from sample to sample")
    clocks_s = first.uncertainty_s + second.uncertainty_s
    differ_s = abs(wall_ns / NANOSECONDS_PER_SECOND - (second.time_s - first.time_s))
    insist(
        differ_s <= clocks_s + 0.01,
        f"both clocks pass the same time between two samples; they differ by {differ_s:.4f} s",
    )
    for sample in (first, second):
        found = sorted(
            int(key.split(".")[1]) for key in sample.values if key.startswith("vcpu.") and key.endswith(".run_ns")
        )
        insist(found == list(range(shape.vcpus)), f"run is counted for each of {shape.vcpus} vCPUs; found {found}")
    slack_ns = int((clocks_s + 0.01) * NANOSECONDS_PER_SECOND)
    for vcpu in range(shape.vcpus):
        _identity(first, second, vcpu, wall_ns + slack_ns)


def _identity(first: Sample, second: Sample, vcpu: int, most_ns: int) -> None:
    grown = {}
    for name in ("run_ns", "wait_ns"):
        key = f"vcpu.{vcpu}.{name}"
        insist((key in first.values) == (key in second.values), f"{key} is counted always or never")
        if key in first.values:
            insist(isinstance(first.values[key], int), f"{key} is a whole number of ns")
            grown[name] = second.values[key] - first.values[key]
            insist(first.values[key] >= 0 and grown[name] >= 0, f"{key} never falls")
    surplus = f"vcpu.{vcpu}.surplus_ns"
    allowed = most_ns + max(second.values.get(surplus, 0) - first.values.get(surplus, 0), 0)
    insist(
        sum(grown.values()) <= allowed,
        f"run and wait of vCPU {vcpu} fit into the time that passed; found {grown}, at most {allowed}",
    )


def _puts_back(hypervisor: Hypervisor, saved: SavedGuest) -> None:
    for time in ("once", "twice"):
        hypervisor.restore(saved)
        insist(
            _same(hypervisor.save(), saved), f"restored {time}, definition and power state are as saved, byte for byte"
        )
    other = SavedGuest(saved.files, not saved.running)
    hypervisor.restore(other)
    insist(hypervisor.describe().running == other.running, "restore sets the power state that was saved, on or off")
    hypervisor.restore(saved)
    insist(_same(hypervisor.save(), saved), "and sets it back again")


def _insist_size(described: Description, shape: Shape, *, running: bool) -> None:
    state = "running" if running else "off"
    insist(
        described.vcpus == shape.vcpus,
        f"the guest has {shape.vcpus} vCPUs while {state}; described are {described.vcpus}",
    )
    insist(
        described.memory == shape.memory,
        f"the guest has {shape.memory} bytes of memory; described are {described.memory}",
    )
    insist(described.running == running, f"the guest is {state}")


def _same(one: SavedGuest, other: SavedGuest) -> bool:
    return dict(one.files) == dict(other.files) and one.running == other.running
