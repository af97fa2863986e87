"""What a plan would do, told before anything is done; touches nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from orchestrator.core.design.fit import refusals, remarks
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.neighbour import described, guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.schedule import Estimate, Switch, estimate, surely
from orchestrator.core.design.time_limit import Fitting, TimeGiven, fitting, too_short
from orchestrator.core.design.trials import Cell, Trial, cells, trials
from orchestrator.core.verdict.minutes import planned_time
from orchestrator.engine.enough import looks_of
from orchestrator.units import format_size

#: What has to be said before services are interrupted. Common practice, no published source.
CAUTIONS = (
    "The guest is powered off and reconfigured for every trial; whatever it serves is interrupted.",
    "Ask the host's owner first, keep to the change control that applies there, and do not run this on production.",
    "Licences counted per vCPU or per core may not allow every shape; that is for the people responsible to say.",
    "The load takes CPU time from the host's other guests while it runs.",
)


@dataclass(frozen=True)
class Forecast:
    """What a plan would do.

    Attributes:
        actions: what would be powered off, reconfigured and put back, in words.
        refusals: why ``run`` would refuse, in words; empty when it would not.
        remarks: what the plan cannot show, in words.
        looks: after how many blocks the evidence is looked at; empty where their number is fixed.
        buys: what the plan's time buys, in sentences.
        time_given: when it would begin and end; ``None`` where nothing was said of it.
        fits: how many whole blocks fit into that time; ``None`` where it has no end.
    """

    plan: Plan
    cells: tuple[Cell, ...]
    trials: tuple[Trial, ...]
    time: Estimate
    actions: tuple[str, ...]
    refusals: tuple[str, ...]
    remarks: tuple[str, ...]
    looks: tuple[int, ...] = ()
    buys: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    time_given: TimeGiven | None = None
    fits: Fitting | None = None


def forecast(plan: Plan, lab: Lab, switch: Switch, given: TimeGiven | None = None) -> Forecast:
    """Work out what a plan would do on a lab whose guests take so long to switch, in the time it is given."""
    ordered = trials(plan)
    host = lab.guests[plan.guest].host
    shapes = ", ".join(f"{s.name} ({_vcpus(s.vcpus)}, {format_size(s.memory)})" for s in plan.shapes)
    number = f"{len(surely(plan, ordered))} to {len(ordered)}" if plan.design.until_decided else str(len(ordered))
    actions = (
        f"guest {plan.guest} on host {host} is powered off, if it runs, and its definition is kept",
        f"for each of {number} trials it is reshaped, started, loaded and stopped; the shapes are {shapes}",
        *_beside(plan),
        *([plan.quiet.told] if plan.quiet is not None else []),
        "at the end, or when the run is interrupted, definition and power state are put back as they were",
    )
    seconds = given.seconds if given is not None else None
    short = too_short(plan, switch, seconds) if seconds is not None else None
    return Forecast(
        plan=plan,
        cells=cells(plan),
        trials=ordered,
        time=estimate(plan, ordered, switch),
        actions=actions,
        refusals=(
            *(reason for guest in (plan.guest, *guests_of(plan.neighbours)) for reason in refusals(lab, guest)),
            *([short] if short is not None else []),
        ),
        remarks=tuple(remarks(plan, lab)),
        looks=looks_of(plan),
        buys=planned_time(plan, switch),
        time_given=given,
        fits=fitting(plan, switch, seconds) if seconds is not None else None,
    )


def _beside(plan: Plan) -> Iterator[str]:
    """What happens to neighbours, their guests first."""
    for guest in guests_of(plan.neighbours):
        yield f"guest {guest}, with a neighbour in it, is started if it is off and not reshaped; its definition is kept"
    if plan.neighbours:
        yield (
            f"beside all trials run neighbours that are started first and ended with the run: "
            f"{described(plan.neighbours)}"
        )


def _vcpus(number: int) -> str:
    return "1 vCPU" if number == 1 else f"{number} vCPUs"
