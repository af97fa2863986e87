"""Plan against lab: does the question fit the guest it is asked about, and what should be known before it is run?

A :class:`~orchestrator.core.design.declared.Finding` is an error at a place in the plan; a remark is advice; a refusal
is a reason why no command may stop or reconfigure a guest.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from orchestrator.core.design.beside import HostLogin, neighbour_misfits, neighbour_remarks
from orchestrator.core.design.declared import Finding
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import CellPattern, Plan
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.templates import unused
from orchestrator.core.design.trials import cells
from orchestrator.core.design.wording import listed, nearest, unknown
from orchestrator.core.design.workload import Workload
from orchestrator.units import format_duration, format_percent, format_size

#: Trial numbers have four digits.
MOST_TRIALS = 9999
#: As ``core.measure.steady`` has it, which is no business of a plan's model.
FEWEST_READINGS = 10
PLACEHOLDERS = ("threads", "vcpus")


def plan_misfits(plan: Plan) -> list[Finding]:
    """What is wrong with a plan by itself beyond what its model checks: idle filters, too many trials."""
    every = len(plan.shapes) * sum(len(load.threads) for load in plan.workloads)
    if every > MOST_TRIALS and not plan.templates:
        return [
            Finding(("shapes",), f"shapes x workloads x threads make {every} cells; a run holds {MOST_TRIALS} trials")
        ]
    findings = [
        Finding(("design", key, position, *at), message)
        for key, patterns in (("only", plan.design.only), ("except", plan.design.except_))
        for position, pattern in enumerate(patterns)
        for at, message in _filter_misfits(plan, pattern)
    ]
    chosen, blocks = len(cells(plan)), plan.design.most_blocks
    if not chosen and not findings:
        findings.append(
            Finding(("design",), "only and except together leave no cell to measure; drop or widen a filter")
        )
    if chosen * blocks > MOST_TRIALS:
        product = f"{chosen} cells x {blocks} blocks are {chosen * blocks} trials"
        place = ("design", "blocks", "at-most") if plan.design.until_decided else ("design", "blocks")
        findings.append(Finding(place, f"{product}; a run holds {MOST_TRIALS}, so split the plan"))
    if plan.quiet is not None and plan.neighbours:
        message = (
            "the plan declares neighbours, which load the host on purpose all through the run, so it would never be "
            "quiet; leave out quiet, or neighbours"
        )
        findings.append(Finding(("quiet",), message))
    return findings


def _filter_misfits(plan: Plan, pattern: CellPattern) -> Iterator[tuple[tuple[str, ...], str]]:
    shapes, loads = [s.name for s in plan.shapes], [w.name for w in plan.workloads]
    if pattern.shape is not None and pattern.shape not in shapes:
        yield ("shape",), unknown("shape", pattern.shape, shapes)
    if pattern.workload is not None and pattern.workload not in loads:
        yield ("workload",), unknown("workload", pattern.workload, loads)
    elif pattern.threads is not None:
        counts = sorted({n for load in plan.workloads if pattern.workload in {None, load.name} for n in load.threads})
        if pattern.threads not in counts:
            whose = f"workload {pattern.workload}" if pattern.workload is not None else "any workload"
            yield (
                ("threads",),
                f"matches no cell: {pattern.threads} is no thread count of {whose}; there are {listed(counts)}",
            )


def misfits(plan: Plan, lab: Lab, hypervisor_features: frozenset[str], host_login: HostLogin = "lab") -> list[Finding]:
    """What a plan asks of a lab that the lab does not have or allow; paths are the plan's.

    Args:
        plan: valid by itself.
        lab: the lab it will run on.
        hypervisor_features: which optional features of a shape the driver of the guest's host can give.
        host_login: how that driver's host is logged in to, which a neighbour on the host needs.
    """
    if plan.guest not in lab.guests:
        message = unknown("guest", plan.guest, list(lab.guests))
        return [Finding(("guest",), f"{message}; name one of the lab's, or add it there")]
    of_shapes = [
        Finding(("shapes", position, key), message)
        for position, shape in enumerate(plan.shapes)
        for key, message in (*_too_large(plan, lab, shape), *_unable(plan, lab, shape, hypervisor_features))
    ]
    return [*of_shapes, *neighbour_misfits(plan, lab, host_login)]


def _too_large(plan: Plan, lab: Lab, shape: Shape) -> Iterator[tuple[str, str]]:
    limits = lab.guests[plan.guest].limits
    advice = f"that the lab allows {plan.guest}; make the shape smaller, or have the guest's owner raise limits"
    if limits.vcpus is not None and shape.vcpus > limits.vcpus:
        yield "vcpus", f"{shape.vcpus} is more than the {limits.vcpus} {advice}: vcpus"
    if limits.memory is not None and shape.memory > limits.memory:
        yield "memory", f"{format_size(shape.memory)} is more than the {format_size(limits.memory)} {advice}: memory"


def _unable(plan: Plan, lab: Lab, shape: Shape, features: frozenset[str]) -> Iterator[tuple[str, str]]:
    driver = lab.host_of(plan.guest).hypervisor
    able = (
        f"besides vcpus and memory it sets {listed(sorted(features))}" if features else "it sets vcpus and memory only"
    )
    for feature in sorted(shape.extras - features):
        key, what = ("reshape", "reshape: live") if feature == "live" else (feature, feature)
        yield key, f"the hypervisor driver {driver} cannot set {what}; {able}"


def refusals(lab: Lab, guest: str) -> list[str]:
    """Reasons why a guest of the lab may not be stopped or reconfigured; none when it may."""
    known = lab.guests.get(guest)
    if known is None:
        return [unknown("guest", guest, list(lab.guests))]
    if not known.may_power_cycle:
        return [
            f"guest {guest} is not marked may-power-cycle: true in the lab, so it is neither stopped nor reconfigured; "
            "set the mark once whoever is responsible for the guest agrees"
        ]
    return []


# -------------------------------------------------------------------------------------------------------- remarks


def remarks(plan: Plan, lab: Lab) -> list[str]:
    """What a practitioner would want to know before running this plan on this lab. Nothing here is an error."""
    on_shapes = (remark for shape in plan.shapes for remark in _on_shape(shape))
    on_workloads = (remark for load in plan.workloads for remark in _on_workload(load))
    beside = (*_on_shares(plan), *neighbour_remarks(plan), *unused(plan.templates, plan.shapes, plan.workloads))
    return [*_on_evidence(plan), *_on_choice(plan), *on_shapes, *beside, *on_workloads, *_on_lab(plan, lab)]


def _on_evidence(plan: Plan) -> Iterator[str]:
    blocks, steady, margin = plan.design.most_blocks, plan.measure.steady, plan.decide.margin
    if blocks == 1:
        yield (
            "blocks: 1 is one reading a cell, which carries no uncertainty: nothing can be called faster or slower; "
            "3 is the least, 5 is better"
        )
    elif blocks == 2:
        # Student's t, two-sided 95 %: 12.71 at 1 degree of freedom, 4.30 at 2 (NIST/SEMATECH e-Handbook, 1.3.6.7.2).
        yield (
            "blocks: 2 gives no usable interval (one degree of freedom: 12.7 standard errors at 95 %); "
            "3 is the least, 5 is better"
        )
    if margin < steady.until_within:
        within = format_percent(steady.until_within)
        yield (
            f"margin {format_percent(margin)} is finer than one trial is measured (until-within {within}): "
            "expect 'undecided', add blocks, or set until-within below the margin"
        )
    samples = int(steady.at_least / plan.measure.every)
    longest = int((plan.measure.warm_up.at_most + steady.at_least) / plan.measure.every)
    if longest < FEWEST_READINGS:
        yield (
            f"a trial may end after {longest} samples: of fewer than {FEWEST_READINGS} readings nobody can tell "
            "whether they are steady, unless the load prints more often than is sampled; lengthen steady"
        )
    if samples < 20:
        yield (
            f"steady at-least {format_duration(steady.at_least)} may be only {samples} samples: an interval inside one "
            "trial is wide then, and the evidence comes from the blocks"
        )


def _on_choice(plan: Plan) -> Iterator[str]:
    chosen = cells(plan)
    if plan.design.order == "as-written" and len(chosen) > 1:
        yield "order: as-written lets a drift of the host fall on the same cells each time; random guards against it"
    if len({cell.shape.name for cell in chosen}) == 1:
        yield "only one shape is measured: nothing can be said about a smaller or larger one"
    largest = max(shape.vcpus for shape in plan.shapes)
    if beyond := sorted({cell.threads for cell in chosen if cell.threads > largest}):
        yield f"no shape has a vCPU for each of {listed(beyond)} threads: whether more vCPUs would help stays open"
    live = [shape.name for shape in plan.shapes if shape.reshape == "live"]
    if live and len(live) < len(plan.shapes):
        yield (
            f"reshape: live for {listed(live)} only: a guest that grew while it ran is not the same as one that booted "
            "with its vCPUs, so a difference between shapes may come from that"
        )


def _on_shape(shape: Shape) -> Iterator[str]:
    if shape.quota is not None and shape.quota >= shape.vcpus:
        yield f"shape {shape.name}: quota {format_percent(shape.quota)} never binds on {shape.vcpus} vCPUs"
    if shape.pin is not None and len(shape.pin) < shape.vcpus:
        yield f"shape {shape.name}: {shape.vcpus} vCPUs pinned to {len(shape.pin)} physical CPUs wait for each other"
    if shape.reshape == "live" and shape.vcpus == 1:
        yield f"shape {shape.name}: reshape: live has nothing to plug in on 1 vCPU"


def _on_shares(plan: Plan) -> Iterator[str]:
    weighted = [shape.name for shape in plan.shapes if shape.shares is not None]
    if weighted and not plan.neighbours:
        yield (
            f"shares of {listed(weighted)} count only while physical CPUs are short; the plan declares no neighbours"
        )


def _on_workload(load: Workload) -> Iterator[str]:
    argv = load.command or ()
    if argv and len(load.threads) > 1 and not any("{threads}" in argument for argument in argv):
        yield f"workload {load.name}: the command does not use {{threads}}, so each thread count runs the same command"
    for found in re.findall(r"\{([A-Za-z_-]+)\}", " ".join((*argv, *(load.prepare or ())))):
        near = nearest(found, PLACEHOLDERS)
        if found not in PLACEHOLDERS and near is not None:
            yield f"workload {load.name}: {{{found}}} is passed on as it stands; did you mean {{{near}}}?"


def _on_lab(plan: Plan, lab: Lab) -> Iterator[str]:
    if plan.lab.startswith("/"):
        yield f"lab: {plan.lab} is an absolute path: a colleague has to name a lab of their own"
    guest = lab.guests.get(plan.guest)
    if guest is not None and guest.limits.vcpus is None and guest.limits.memory is None:
        yield f"the lab sets no limits for {plan.guest}: any shape its host can hold is tried"
