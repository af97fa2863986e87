"""Why: the sentences behind a choice, and what would change it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.choice import Choice, Doubt, furthest_behind
from orchestrator.core.verdict.comparison import log_ratio
from orchestrator.core.verdict.demand.usage import usage, worst_wait
from orchestrator.core.verdict.inference.family import Family
from orchestrator.core.verdict.inference.power import MOST_BLOCKS, POWER
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, exp
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.stake import Stake
from orchestrator.core.verdict.words import capital, change, count, in_words, listed, number, rates
from orchestrator.units import format_duration, format_percent, format_size

#: More sentences about other shapes than these few would hide the ones that matter.
_FEW = 4
#: A margin beyond a quarter is nobody's.
_WIDEST_MARGIN = 0.25
#: A confidence below this says nothing that the figures do not.
_LEAST_CERTAIN = 0.5
#: Differences of logs below this are rounding.
_ROUNDING = 1e-12


def sized(cell: CellReadings, group: Sequence[CellReadings]) -> str:
    """``shape two (2 vCPUs)``; with its memory where another shape of the group has as many vCPUs."""
    seen = cell.first
    alike = any(c.first.vcpus == seen.vcpus and c.first.shape != seen.shape for c in group)
    memory = f", {format_size(seen.memory)}" if alike and seen.memory is not None else ""
    return f"shape {seen.shape} ({seen.vcpus} vCPU{'' if seen.vcpus == 1 else 's'}{memory})"


def reasons(choice: Choice, rule: Rule, family: Family, stakes: Sequence[Stake]) -> tuple[str, ...]:
    """Everything that speaks for the choice, the most important first.

    Args:
        choice: the choice made.
        rule: margin, confidence and thresholds.
        family: of the comparisons that the intervals hold for together.
        stakes: what each candidate costs, where there are several.
    """
    sentences = (
        *_lead(choice, rule),
        *_others(choice, rule),
        _basis(choice, rule, family),
        *_open(choice, rule, stakes),
        *usage(choice.chosen, choice.others, rule),
    )
    return tuple(capital(sentence) for sentence in sentences)


def change_of_mind(choice: Choice, rule: Rule, minutes: float | None = None) -> tuple[str, ...]:
    """What would change the choice.

    Args:
        choice: the choice made.
        rule: margin, confidence and thresholds.
        minutes: that the blocks which would settle it take, where known.
    """
    found: list[str] = []
    match choice.basis:
        case "only shape measured":
            threads = count(choice.chosen.first.threads, "thread")
            found.append(f"Measuring other shapes with {threads}: there was nothing to compare this one with.")
        case "single readings":
            found.append(
                "More readings: at the very least three blocks, better five, each with all cells in random order."
            )
        case "figures":
            found.append(f"{capital(_more(choice.more_blocks, minutes))}.")
        case "shown":
            pass
    found += _other_margins(choice, rule)
    if any(worst_wait(c.estimate(rule.confidence)) >= rule.wait for c in choice.group):
        found.append("A quieter host: waiting falls on shapes unequally, so without it their order may be another.")
    return tuple(found)


def _lead(choice: Choice, rule: Rule) -> Iterator[str]:
    name, threads = sized(choice.chosen, choice.group), count(choice.chosen.first.threads, "thread")
    throughputs = [c.estimate(rule.confidence).throughput_per_s for c in (choice.chosen, *choice.others)]
    figure = rates(throughputs, rule.per)[0]  # with as many digits as in the table of cells
    if choice.basis == "only shape measured":
        yield f"{name} is the only shape measured with {threads}, so it is recommended for want of another: {figure}."
    elif choice.chosen.key == choice.best.key:
        most = "as much as any" if choice.is_tied else "the most"
        yield f"{name} gives {most} with {threads}: {figure}."
    else:
        estimate = log_ratio(choice.best, choice.chosen)
        behind = _against(estimate, f"the best, {sized(choice.best, choice.group)}")
        smaller = ", and it is smaller" if choice.chosen.size[:2] < choice.best.size[:2] else ""
        within = f"within the margin of {format_percent(rule.margin)}"
        if estimate.value < math.log1p(-rule.margin) - _ROUNDING:
            within += f" when the best of {in_words(len(choice.group))} is allowed its share of luck"
        yield f"{name} gives {figure} with {threads}, {behind}: {within}{smaller}."


def _others(choice: Choice, rule: Rule) -> Iterator[str]:
    """How each other shape did: the smaller ones by how far they fall short, the larger ones by what they buy."""
    told = choice.best.key if choice.chosen.key != choice.best.key else None
    for other in [c for c in choice.others if c.key != told][:_FEW]:
        name, chosen = sized(other, choice.group), choice.chosen
        if other.size < chosen.size:
            ahead, behind = furthest_behind(other, choice.group)
            margin = f"more than the margin of {format_percent(rule.margin)}"
            if behind.value >= math.log1p(-rule.margin) - _ROUNDING:
                margin = f"near the margin of {format_percent(rule.margin)}, and the calmer shapes speak against it"
            size = "smaller" if other.size[:2] < chosen.size[:2] else "of the same size"
            yield f"{name} is {size}, but gives {_against(behind, f'shape {ahead.first.shape}')}: {margin}."
        else:
            more = "more vCPUs" if other.first.vcpus > chosen.first.vcpus else "more memory"
            has = f"has {more} and " if other.size[:2] > chosen.size[:2] else ""
            yield f"{name} {has}gives {_against(log_ratio(chosen, other), f'shape {chosen.first.shape}')}."
    if len(choice.others) > _FEW:
        yield f"{count(len(choice.others) - _FEW, 'other shape')} did not change the choice either."


def _against(estimate: LogEstimate, other: str) -> str:
    """``4 % less than shape two``, ``the same to within half a percent as shape two``."""
    changed = change(exp(estimate.value), whole=estimate.error is None)
    return f"{changed} {'than' if changed.endswith((' more', ' less')) else 'as'} {other}"


def _basis(choice: Choice, rule: Rule, family: Family) -> str:
    match choice.basis:
        case "only shape measured":
            return "whether it is the right size cannot be said: no other shape was measured under this load."
        case "single readings":
            if any(len(cell.observations) > 1 for cell in choice.group):
                lack = "the trials share too few blocks for an interval between all shapes"
                return f"this holds on the figures alone: {lack}, so chance may have ordered them."
            return "this holds on the figures alone: they carry no uncertainty, so chance may have ordered them."
        case "shown":
            together = ", for all shapes and thread counts together" if family.pairs > 1 else ""
            looks = " and over all looks at the run" if family.look is not None else ""
            return f"the intervals show it at {format_percent(rule.confidence)} confidence{together}{looks}."
        case "figures":
            allowed = _allowed(choice)
            settle = (
                f"{count(choice.more_blocks, 'more block')} would decide"
                if choice.more_blocks
                else "it is close to the margin"
            )
            return f"this holds on the figures, but the intervals still allow that {allowed}; {settle}."


def _open(choice: Choice, rule: Rule, stakes: Sequence[Stake]) -> Iterator[str]:
    """Between which shapes it is open, and what each of them costs."""
    if len(choice.candidates) < 2 or not stakes:
        return
    named = listed([c.first.shape for c in choice.candidates], joint="or")
    confidence, alone = format_percent(rule.confidence), ""
    if choice.certainty is not None and choice.certainty >= _LEAST_CERTAIN:
        sure = format_percent(_down(choice.certainty), 0)
        alone = f"; that it is {choice.chosen.first.shape} can be said at {sure} confidence only"
    yield f"at {confidence} confidence the right shape is {named}{alone}."
    yield f"{'; '.join(_stake(stake, rule) for stake in stakes[:_FEW])}."


def _stake(stake: Stake, rule: Rule) -> str:
    takes = []
    if stake.more_vcpus:
        takes.append(count(stake.more_vcpus, "more vCPU"))
    if stake.more_memory is not None and stake.more_memory > 0:
        takes.append(f"{format_size(stake.more_memory)} more memory")
    if stake.more_cost is not None and stake.more_cost > 0 and rule.price:
        takes.append(f"{number(stake.more_cost)} more ({rule.price.unit})")
    lost = format_percent(stake.may_lose)
    lacks = "lacks nothing" if lost == "0 %" else f"may lack up to {lost} of the best throughput"
    return f"shape {stake.shape} {f'takes {listed(takes)} and ' if takes else ''}{lacks}"


def _down(share: float) -> float:
    """Down to whole percents: no more certain than it is."""
    return math.floor(share * 100 + 1e-9) / 100


def _allowed(choice: Choice) -> str:
    """What the intervals allow against the choice: ``it is 4 % behind shape two and 5 % behind shape four``."""
    doubts = choice.doubts[:2]
    short = [f"{_behind(doubt)} behind {sized(doubt.other, choice.group)}" for doubt in doubts if doubt.kind == "short"]
    found = [f"it is {listed(short)}"] if short else []
    for doubt in (doubt for doubt in doubts if doubt.kind == "smaller"):
        falls = f"only {_behind(doubt)} behind the best" if doubt.allows < 1 else "not behind at all"
        found.append(f"{sized(doubt.other, choice.group)} is {falls} and would do")
    return listed(found)


def _behind(doubt: Doubt) -> str:
    return change(doubt.allows, whole=False).removesuffix(" less")


def _more(blocks: int | None, minutes: float | None) -> str:
    if blocks is None:
        return (
            f"even {MOST_BLOCKS} blocks would hardly settle it, so close to the margin does it lie: "
            "set the margin to what really matters"
        )
    power = f"with {format_percent(POWER)} power, if difference and scatter stay as they are"
    time = f", {format_duration(60 * minutes)}," if minutes else ""
    return f"about {count(blocks, 'more block')}{time} would settle it ({power})"


def _other_margins(choice: Choice, rule: Rule) -> Iterator[str]:
    """The margins, tighter or wider, from which on another shape would be chosen."""
    needed = {key: 1 - exp(level) for key, level in choice.levels.items()}
    margin = format_percent(needed[choice.chosen.key])
    if needed[choice.chosen.key] > 0 and margin != "0 %":
        yield f"A margin below {margin}: then shape {choice.chosen.first.shape} would not do."
    smaller = [c for c in choice.others if c.size < choice.chosen.size]
    if smaller:
        nearest = min(smaller, key=lambda c: needed[c.key])
        if rule.margin < needed[nearest.key] <= _WIDEST_MARGIN:
            # Rounded up, so that the margin named is one that does.
            margin = format_percent(needed[nearest.key] + 0.0005)
            yield f"A margin of {margin} or more: then {sized(nearest, choice.group)} would do."
