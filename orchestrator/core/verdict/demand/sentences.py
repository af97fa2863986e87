"""What an operation takes, in plain words."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.core.measure.results import Interval
from orchestrator.core.verdict.cells import Observation
from orchestrator.core.verdict.demand.results import Demand
from orchestrator.core.verdict.rule import COMMON_PRACTICE, Rule
from orchestrator.core.verdict.words import column, count, in_words, listed, number, signed, span
from orchestrator.units import format_percent

#: More busy vCPUs than threads by so much of a vCPU is work of something else (common practice, no published source).
_OTHER_WORK = 0.1
#: A ratio known better than this is known by rounding.
_NO_SCATTER = 1e-9


def sentences(found: Demand, lean: Observation | None, rule: Rule) -> Iterator[str]:
    """Everything worth a sentence about one cell, the most important first.

    Args:
        found: the cell's demand.
        lean: an observation of the leanest cell of its workload.
        rule: its thresholds.
    """
    where = place(found.shape, found.threads)
    if found.cpu_s is not None and found.cpu_s.mean > 0:
        yield f"An operation on {where} costs {timed(found.cpu_s)} of CPU time{_against(found, lean)}."
    yield from _lost(found, where)
    yield (
        f"A thread takes {timed(found.response_s)} for an operation on {where}, if it begins the next one at once "
        "(Little's law)."
    )
    yield from doubts(found)
    if found.contended:
        yield (
            f"The vCPUs of {where} wait for a physical CPU: the host is contended "
            f"(worth a word from {format_percent(rule.wait)} on: {COMMON_PRACTICE})."
        )


def doubts(found: Demand) -> Iterator[str]:
    """What does not fit together in the figures of one cell."""
    where = place(found.shape, found.threads)
    if found.laws_hold is False:
        yield (
            f"Run share, throughput and CPU time of an operation on {where} contradict each other (busy vCPUs = "
            "throughput x CPU time of an operation): they were not taken over one window, or mean something else."
        )
    if found.busy_vcpus is not None and found.busy_vcpus > found.threads + _OTHER_WORK:
        busy = number(round(found.busy_vcpus, 2))
        yield (
            f"On {where} {busy} vCPUs were busy, more than its threads can keep: something else ran in the guest, or "
            "the workload has more threads than it was asked for."
        )
    yield from _steal(found, where)


def place(shape: str, threads: int) -> str:
    """``shape two with one thread``."""
    return f"shape {shape} with {count(threads, 'thread')}"


def timed(found: Interval) -> str:
    """``0.42 ms (0.41 to 0.43)``: one unit for all three."""
    unit, factor = ("s", 1.0) if found.mean >= 1 else ("ms", 1e3) if found.mean >= 1e-4 else ("µs", 1e6)
    if found.low is None or found.high is None:
        return f"{column([float(f'{found.mean * factor:.3g}')])[0]} {unit}"
    mean, low, high = (f"{value * factor:.{_places(found, factor)}f}" for value in (found.mean, found.low, found.high))
    return f"{mean} {unit}" if low == mean == high else f"{mean} {unit} ({low} to {high})"


def _places(found: Interval, factor: float) -> int:
    """Decimals that show three digits of the mean."""
    size = abs(found.mean) * factor
    return next((places for places, least in ((0, 100), (1, 10), (2, 1), (3, 0.1)) if size >= least), 4)


def _against(found: Demand, lean: Observation | None) -> str:
    ratio = found.cpu_ratio
    if lean is None or ratio is None:
        return "" if found.leanest != found.cell else ", the least of all cells" if found.trials else ""
    beside = place(lean.shape, lean.threads)
    size = signed(ratio.mean, whole=ratio.low is None).lstrip("+-")
    if ratio.mean < 1:
        # The leanest by the means of all trials; a ratio is taken over the blocks that hold both.
        least = f"{beside}, which costs the least over all{_interval(ratio)}"
        return f"; in the blocks that hold both it is {size} less than on {least}"
    return f", {size} more than on {beside}, the leanest{_interval(ratio)}"


def _interval(ratio: Interval) -> str:
    """`` (+10.1 % to +14.5 %)``, and that it is within what trials scatter where the interval holds 1."""
    if ratio.low is None or ratio.high is None or ratio.high / ratio.low - 1 < _NO_SCATTER:
        return ""
    chance = ", within what trials scatter" if ratio.low <= 1 <= ratio.high else ""
    return f" ({span(ratio.low, ratio.high)}{chance})"


def _lost(found: Demand, where: str) -> Iterator[str]:
    """Where the vCPU time of an operation went besides running."""
    lost = [
        (part, text)
        for part, text in ((found.wait_s, "wait for a physical CPU"), (found.idle_s, "are idle"))
        if part is not None and part.mean >= 0.005 * found.wall_s.mean
    ]
    if not lost:
        return
    spent = listed([f"{timed(part)} {text}" for part, text in lost])
    spare = found.vcpus - found.threads
    owed = ""
    if spare > 0 and found.idle_s is not None:
        share = format_percent(spare / found.vcpus, 0)
        owed = f"; {count(spare, 'vCPU')} of {in_words(found.vcpus)} had no thread, which alone leaves {share} idle"
    yield f"An operation on {where} holds {timed(found.wall_s)} of vCPU time, of which {spent}{owed}."


def _steal(found: Demand, where: str) -> Iterator[str]:
    if found.steal is None or found.steal_share is None or found.wait_share is None:
        return
    steal, wait = format_percent(found.steal_share), format_percent(found.wait_share)
    both = f"the guest saw {steal} steal, the host counted {wait} wait"
    if found.steal == "disagrees":
        yield f"On {where} {both}: more apart than chance allows, so one of them counts something else."
    elif found.steal == "unseen":
        yield f"On {where} {both}: this guest cannot see its steal, and the host's figure stands alone."
