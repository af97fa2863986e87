"""Why: the sentences behind a choice, and what would change it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.cells import CellReadings
from orchestrator.core.verdict.choice import Choice, Doubt, furthest_behind
from orchestrator.core.verdict.comparison import log_ratio
from orchestrator.core.verdict.power import MOST_BLOCKS, POWER
from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.uncertainty import LogEstimate, exp
from orchestrator.core.verdict.usage import usage, worst_wait
from orchestrator.core.verdict.words import capital, change, count, in_words, listed, rate
from orchestrator.units import format_percent, format_size

#: More sentences about other shapes than these few would hide the ones that matter.
_FEW = 4
#: A margin beyond a quarter is nobody's.
_WIDEST_MARGIN = 0.25


def sized(cell: CellReadings, group: Sequence[CellReadings]) -> str:
    """``shape two (2 vCPUs)``; with its memory where another shape of the group has as many vCPUs."""
    seen = cell.first
    alike = any(c.first.vcpus == seen.vcpus and c.first.shape != seen.shape for c in group)
    memory = f", {format_size(seen.memory)}" if alike and seen.memory is not None else ""
    return f"shape {seen.shape} ({seen.vcpus} vCPU{'' if seen.vcpus == 1 else 's'}{memory})"


def reasons(choice: Choice, rule: Rule, family: int) -> tuple[str, ...]:
    """Everything that speaks for the choice, the most important first.

    Args:
        choice: the choice made.
        rule: margin, confidence and thresholds.
        family: number of comparisons that the intervals are corrected for.
    """
    chosen = choice.chosen.estimate(rule.confidence)
    others = [c.estimate(rule.confidence) for c in choice.others]
    sentences = (
        *_lead(choice, rule),
        *_others(choice, rule),
        _basis(choice, rule, family),
        *usage(chosen, others, rule),
    )
    return tuple(capital(sentence) for sentence in sentences)


def change_of_mind(choice: Choice, rule: Rule) -> tuple[str, ...]:
    """What would change the choice."""
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
            found.append(f"{capital(_more(choice.more_blocks))}.")
        case "shown":
            pass
    found += _other_margins(choice, rule)
    if any(worst_wait(c.estimate(rule.confidence)) >= rule.wait for c in choice.group):
        found.append("A quieter host: waiting falls on shapes unequally, so without it their order may be another.")
    return tuple(found)


def _lead(choice: Choice, rule: Rule) -> Iterator[str]:
    name, threads = sized(choice.chosen, choice.group), count(choice.chosen.first.threads, "thread")
    figure = rate(choice.chosen.estimate(rule.confidence).throughput_per_s, rule.per)
    if choice.basis == "only shape measured":
        yield f"{name} is the only shape measured with {threads}, so it is recommended for want of another: {figure}."
    elif choice.chosen.key == choice.best.key:
        most = "as much as any" if choice.is_tied else "the most"
        yield f"{name} gives {most} with {threads}: {figure}."
    else:
        behind = _against(log_ratio(choice.best, choice.chosen), f"the best, {sized(choice.best, choice.group)}")
        smaller = ", and it is smaller" if choice.chosen.size[:2] < choice.best.size[:2] else ""
        within = f"within the margin of {format_percent(rule.margin)}"
        yield f"{name} gives {figure} with {threads}, {behind}: {within}{smaller}."


def _others(choice: Choice, rule: Rule) -> Iterator[str]:
    """How each other shape did: the smaller ones by how far they fall short, the larger ones by what they buy."""
    told = choice.best.key if choice.chosen.key != choice.best.key else None
    for other in [c for c in choice.others if c.key != told][:_FEW]:
        name, chosen = sized(other, choice.group), choice.chosen
        if other.size < chosen.size:
            ahead, behind = furthest_behind(other, choice.group)
            margin = f"more than the margin of {format_percent(rule.margin)}"
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


def _basis(choice: Choice, rule: Rule, family: int) -> str:
    match choice.basis:
        case "only shape measured":
            return "whether it is the right size cannot be said: no other shape was measured under this load."
        case "single readings":
            if any(len(cell.observations) > 1 for cell in choice.group):
                lack = "the trials share too few blocks for an interval between all shapes"
                return f"this holds on the figures alone: {lack}, so chance may have ordered them."
            return "this holds on the figures alone: they carry no uncertainty, so chance may have ordered them."
        case "shown":
            correction = f", corrected for {in_words(family)} comparisons" if family > 1 else ""
            return f"the intervals show it at {format_percent(rule.confidence)} confidence{correction}."
        case "figures":
            allowed = listed([_allowed(doubt, choice) for doubt in choice.doubts[:2]])
            settle = (
                f"{count(choice.more_blocks, 'more block')} would decide"
                if choice.more_blocks
                else "it is close to the margin"
            )
            return f"this holds on the figures; the interval still allows that {allowed}; {settle}."


def _allowed(doubt: Doubt, choice: Choice) -> str:
    behind = change(doubt.allows, whole=False).removesuffix(" less")
    if doubt.kind == "short":
        return f"it is {behind} behind {sized(doubt.other, choice.group)}"
    falls = f"only {behind} behind the best" if doubt.allows < 1 else "not behind at all"
    return f"{sized(doubt.other, choice.group)} is {falls} and would do"


def _more(blocks: int | None) -> str:
    if blocks is None:
        return (
            f"even {MOST_BLOCKS} blocks would hardly settle it, so close to the margin does it lie: "
            "set the margin to what really matters"
        )
    power = f"with {format_percent(POWER)} power, if difference and scatter stay as they are"
    return f"about {count(blocks, 'more block')} would settle it ({power})"


def _other_margins(choice: Choice, rule: Rule) -> Iterator[str]:
    """The margins, tighter or wider, from which on another shape would be chosen."""
    _, behind = furthest_behind(choice.chosen, choice.group)
    margin = format_percent(1 - exp(behind.value))
    if behind.value < 0 and margin != "0 %":
        yield f"A margin below {margin}: then shape {choice.chosen.first.shape} would not do."
    smaller = [c for c in choice.others if c.size < choice.chosen.size]
    needed = {c.key: 1 - exp(furthest_behind(c, choice.group)[1].value) for c in smaller}
    if smaller:
        nearest = min(smaller, key=lambda c: needed[c.key])
        if rule.margin < needed[nearest.key] <= _WIDEST_MARGIN:
            # Rounded up, so that the margin named is one that does.
            margin = format_percent(needed[nearest.key] + 0.0005)
            yield f"A margin of {margin} or more: then {sized(nearest, choice.group)} would do."
