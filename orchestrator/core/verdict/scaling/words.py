"""What is said of a curve, in plain words: no further than the points reach."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from orchestrator.core.verdict.rule import Rule
from orchestrator.core.verdict.scaling.choice import Choice
from orchestrator.core.verdict.scaling.results import Bounds, Point, Scaling
from orchestrator.core.verdict.words import capital, count, in_words, rate, rates, so_many_of
from orchestrator.units import format_percent

#: A limit is named where it lies within this many times what was measured (common practice, no published source).
_NEAR = 2.0
_NAMES = {
    "proportional": "growth in proportion",
    "amdahl": "Amdahl's law",
    "gustafson": "Gustafson's law",
    "universal": "the universal scalability law",
}


def why_no_law(choice: Choice | None, sizes: int, needed: int, rule: Rule) -> str | None:
    """Why there is no law; ``None`` where there is one."""
    if choice is None:
        unrepeated = " where trials are not repeated" if needed > 4 else ""
        return f"a law takes at least {in_words(needed)} sizes{unrepeated}, and there are {in_words(sizes)}"
    if choice.law is not None:
        return None
    grows = choice.insists and choice.unlimited is not None and choice.unlimited.sigma < 0
    faster = "; throughput grows faster than in proportion, which no law of them allows" if grows else ""
    nearest = f"the nearest, {_NAMES[choice.nearest.law]}, is up to {format_percent(choice.nearest.misfit)} away"
    return f"{nearest}, more than the margin of {format_percent(rule.margin)} and more than trials scatter{faster}"


def unphysical(choice: Choice) -> str | None:
    """What a fit without limits would say that cannot be."""
    found = choice.unlimited
    if found is None:
        return None
    wrong = [f"{name} {value:.2g}" for name, value in (("sigma", found.sigma), ("kappa", found.kappa)) if value < 0]
    if found.sigma > 1:
        wrong.append(f"sigma {found.sigma:.2g}, more than 1")
    weight = (
        "by more than chance: look for something that changes with the size"
        if choice.insists
        else "by no more than chance"
    )
    return f"without limits the universal law would come out with {' and '.join(wrong)}, which cannot be, {weight}"


def no_peak(choice: Choice | None, beyond: float | None, largest: int) -> str:
    """Why no peak is named."""
    if choice is None or choice.law is None:
        return "without a law nothing is said of sizes that were not measured"
    if choice.law == "universal":
        return f"its peak is not in sight: the points put it beyond {_short(beyond or largest)}, too far to say where"
    if beyond is None or beyond < largest:
        return f"whether there is a peak up to {largest} or beyond, the points do not tell"
    return f"no peak is in sight up to {largest}; if there is one it lies beyond {_short(beyond)}"


def told(found: Sequence[Scaling]) -> tuple[str, ...]:
    """What is said of all curves, and once why some have too few sizes for a law."""
    short = Counter(curve.why_no_law for curve in found if not curve.laws)
    because = []
    for why, curves in short.items():
        which = f" to {so_many_of(curves, len(found), 'curve')}" if curves < len(found) else ""
        because.append(f"No law of scaling is fitted{which}: {why}.")
    return tuple(dict.fromkeys([*(curve.sentence for curve in found), *because]))


def sentence(found: Scaling, choice: Choice | None, rule: Rule) -> str:
    """All of it in one sentence or two."""
    subject = f"{_subject(found)}, {_span(found)}"
    if choice is None:
        return f"{subject}: {_most(found.points, rule)}"
    if found.law is None:
        return f"{subject}: no law of scaling describes it: {found.why_no_law}. {capital(_most(found.points, rule))}"
    flat = _is_flat(found)
    text = f"{subject}: {_flat(found) if flat else _law(found, choice, rule)}{_off(choice)}."
    if found.no_peak is not None and not flat:
        text += f" {capital(found.no_peak)}."
    return text


def shared(vcpus: int) -> str:
    """Why a curve over threads bends."""
    return f"More than {count(vcpus, 'thread')} share the shape's {count(vcpus, 'vCPU')}, which bends the curve."


def _subject(found: Scaling) -> str:
    match found.over:
        case "threads":
            return f"More threads of {found.workload} on shape {found.shape}"
        case "vcpus":
            return f"More vCPUs under {count(found.threads or 0, 'thread')} of {found.workload}"
        case "both":
            return f"More vCPUs, each with a thread of {found.workload}"


def _span(found: Scaling) -> str:
    return f"{found.points[0].size} to {found.points[-1].size}"


def _is_flat(found: Scaling) -> bool:
    """Whether the points allow that all is serial, so that more brings nothing."""
    high = found.sigma.high if found.sigma is not None else None
    return found.law in {"amdahl", "gustafson"} and (high is None or high >= 1)


def _flat(found: Scaling) -> str:
    first, last = found.points[0], found.points[-1]
    share = _percent(last.throughput_per_s / first.throughput_per_s)
    return f"no gain shows ({last.size} bring {share} of what {first.size} did)"


def _law(found: Scaling, choice: Choice, rule: Rule) -> str:
    sigma, kappa = found.sigma, found.kappa
    if sigma is None or kappa is None:  # cannot be: a law has both
        return ""
    last = found.points[-1]
    match found.law:
        case "proportional":
            at_most = f"at most {_percent(sigma.high)}" if sigma.high is not None and sigma.high < 1 else "unknown"
            return f"throughput grows in proportion, and no loss shows (the serial share is {at_most})"
        case "amdahl":
            text = (
                f"throughput follows Amdahl's law with a serial share of {_shares(sigma)}, and at {last.size} each "
                f"brings {format_percent(last.efficiency, 0)} of what it did at {found.points[0].size}"
            )
            limit = found.limit
            if limit is not None and limit.high is not None and limit.high <= _NEAR * last.throughput_per_s:
                text += f"; it levels off below {rate(limit.high, rule.per)}"
            return text + _tied(choice)
        case "gustafson":
            added = Bounds(value=1 - sigma.value, low=1 - (sigma.high or 1.0), high=1 - sigma.low)
            return (
                f"throughput grows in a straight line: each further one adds {_shares(added)} of what the first gives "
                f"(Gustafson's law){_tied(choice)}"
            )
        case _:
            costs = f"queueing for what is shared {_shares(sigma)}, exchange between any two {_shares(kappa)}"
            if found.peak is None or found.peak.high is None:
                return f"throughput grows ever less, by the universal scalability law ({costs})"
            peak = f"{_short(found.peak.value)} ({_short(found.peak.low)} to {_short(found.peak.high)})"
            if found.peak.low >= last.size:
                peaks = f"throughput would peak at {peak}, beyond the {last.size} that were measured"
            elif found.peak.high > last.size:
                peaks = f"throughput peaks at {peak}, about where measuring ended"
            else:
                peaks = f"throughput peaks at {peak} and falls beyond"
            return f"{peaks}, by the universal scalability law ({costs})"


def _tied(choice: Choice) -> str:
    if not choice.tied:
        return ""
    other = "gustafson" if choice.law == "amdahl" else "amdahl"
    return f"; {_NAMES[other]} would describe it as well"


def _off(choice: Choice) -> str:
    if choice.off is None:
        return (
            f"; trials were not repeated, so chance is judged by the misfit (up to {_percent(choice.nearest.misfit)})"
        )
    if choice.off:
        return (
            f"; it misses by up to {_percent(choice.nearest.misfit)}, more than trials scatter, "
            "which widens the intervals"
        )
    return ""


def _most(points: tuple[Point, ...], rule: Rule) -> str:
    throughputs = [point.throughput_per_s for point in points]
    best = throughputs.index(max(throughputs))
    return f"the most was measured at {points[best].size}, {rates(throughputs, rule.per)[best]}."


def _shares(found: Bounds) -> str:
    high = _percent(found.high) if found.high is not None else "any"
    return f"{_percent(found.value)} ({_percent(found.low)} to {high})"


def _percent(share: float | None) -> str:
    """Percents with as many digits as small costs need."""
    if share is None:
        return "any"
    points = share * 100
    return f"{points:.1f} %" if abs(points) >= 1 else f"{points:.2g} %"


def _short(size: float) -> str:
    return f"{size:.3g}" if size < 1000 else f"{size:.0f}"
