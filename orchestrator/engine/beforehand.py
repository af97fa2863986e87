"""What would keep a run from its end, found before it begins: nothing is changed, and no run is kept of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.record.journal import Event, progress
from orchestrator.engine.keeping import describe_first, refuse_shaped, save_first
from orchestrator.engine.ports import Connector, Description, Driver, Hypervisor, RunStore
from orchestrator.errors import InputError, Problem, StageError, UnreachableError


def refuse_left_behind(plan: Plan, lab: Lab, driver: Driver, store: RunStore) -> None:
    """Refuse guests that an unfinished run of this store has not put back, where they do not say so themselves.

    Kept as its owner's, a shape of that run would be what the guest is put back to. Runs in other stores are not seen.

    Raises:
        UnreachableError: with the run to go on with.
    """
    if driver.left_behind != "unmarked":
        return
    ours = {(lab.guests[guest].host, lab.guests[guest].domain or guest): guest for guest in _guests(plan)}
    for run in store.list():
        if run.record.hypervisor != lab.host_of(plan.guest).hypervisor:
            continue
        events = store.journal(run)
        if (guest := next((ours[place] for place in _away(events, run.record.guest) if place in ours), None)) is None:
            continue
        raise UnreachableError(
            f"guest {guest!r} is not back from run {run.record.id}, so nothing was changed: that run is under way, or "
            f"ended before it put the guest back; wait for it, or put the guest back (trialbed restore {run.record.id})"
        )


def refuse_loginless(plan: Plan, lab: Lab, driver: Driver, connector: Connector) -> None:
    """Refuse a lab with logins that cannot succeed for a reason on this machine, such as a key that is not there.

    Raises:
        InputError: with all of them.
    """
    problems = [
        Problem("lab", field, obstacle)
        for field, machine, access in _logins(plan, lab, driver)
        if (obstacle := connector.obstacle(access, machine=machine)) is not None
    ]
    if problems:
        raise InputError(problems)


def insist_on_place(guest: str, lab: Lab, drivers: Mapping[str, Driver]) -> None:
    """Refuse a lab that does not say where a guest is.

    Raises:
        InputError: with what is missing.
    """
    if guest not in lab.guests:
        raise InputError([Problem("lab", f"guests.{guest}", "is missing; write where this guest of the run is")])
    name = lab.guests[guest].host
    if "uri" in drivers[lab.hosts[name].hypervisor].needs and lab.hosts[name].uri is None:
        raise InputError([Problem("lab", f"hosts.{name}.uri", "is missing; write the address of the hypervisor")])


def look_first(plan: Plan, hypervisor: Hypervisor, neighbours: Mapping[str, Hypervisor]) -> Description:
    """The first words with the guests' host: what each is, and that the measured one can have every shape of the plan.

    Args:
        plan: the plan.
        hypervisor: the driver bound to its guest.
        neighbours: the drivers bound to the guests that carry its neighbours, by name.

    Raises:
        UnreachableError: the host does not answer, or a guest could not be put back as it is now.
        InputError: shapes that the guest would not be given, with all of the reasons.
    """
    description = describe_first(hypervisor, plan.guest)
    refuse_shaped(plan.guest, description)
    save_first(hypervisor, plan.guest)
    for guest, driver in neighbours.items():
        refuse_shaped(guest, describe_first(driver, guest))
        save_first(driver, guest)
    try:
        refused = [(position, hypervisor.refusal(shape)) for position, shape in enumerate(plan.shapes)]
    except StageError as error:
        raise UnreachableError(
            f"it could not be told whether guest {plan.guest!r} can have the plan's shapes, so nothing was changed: "
            f"{error}"
        ) from error
    problems = [
        Problem("plan", f"shapes[{position}]", f"guest {plan.guest!r} would not be given it: {reason}")
        for position, reason in refused
        if reason is not None
    ]
    if problems:
        raise InputError(problems)
    return description


def _guests(plan: Plan) -> tuple[str, ...]:
    return (plan.guest, *guests_of(plan.neighbours))


def _away(events: Sequence[Event], measured: str) -> Iterator[tuple[str, str]]:
    """Host and domain of each guest that a run has not put back, as its journal keeps them."""
    where = progress(events)
    away = {measured if guest == "" else guest for guest in where.away} | {left.guest for left in where.not_back}
    for event in events:
        if event.event == "guest-saved" and event.detail.get("guest") in away:
            yield str(event.detail.get("host", "")), str(event.detail.get("domain", ""))


def _logins(plan: Plan, lab: Lab, driver: Driver) -> Iterator[tuple[str, str, SshAccess]]:
    """The logins that a run would make by the lab's word: path in the lab, machine, how."""
    host = lab.guests[plan.guest].host
    found = {("host", f"hosts.{host}.ssh"): lab.hosts[host].ssh if driver.host_login == "lab" else None}
    for guest in _guests(plan):
        found[("guest", f"guests.{guest}.ssh")] = lab.guests[guest].ssh if "ssh" in driver.needs else None
    for (machine, field), access in found.items():
        if access is not None:
            yield field, machine, access
