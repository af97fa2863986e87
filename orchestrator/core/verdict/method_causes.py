"""How the causes were found: what an operation takes, and how throughput grows; steps with figures and sources."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from orchestrator.core.measure.method import Step
from orchestrator.core.verdict.rule import COMMON_PRACTICE, Rule
from orchestrator.core.verdict.scaling.results import LawName, Scaling
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import count
from orchestrator.units import format_percent

_OPERATIONS = "Denning & Buzen 1978; Lazowska et al. 1984, ch. 3; Little 1961"
_OVER = {"threads": "threads", "vcpus": "vCPUs", "both": "vCPUs with a thread each"}
_LAWS: dict[LawName, tuple[str, str]] = {
    "proportional": ("proportional growth", "no published source needed"),
    "amdahl": ("Amdahl's law", "Amdahl 1967"),
    "gustafson": ("Gustafson's law", "Gustafson 1988"),
    "universal": ("the Universal Scalability Law", "Gunther 2007"),
}
_CHOICE = "F test between nested laws: Seber & Wild 2003, ch. 5; lack of fit: Draper & Smith 1998, ch. 2"


def operations(reached: Verdict, rule: Rule) -> Iterator[Step]:
    """How CPU time, waiting and idle time of an operation were found."""
    known = [demand for demand in reached.demands if demand.cpu_s is not None]
    if not known:
        return
    what = (
        f"in {count(len(known), 'cell')}: CPU time an operation is busy vCPUs over throughput; the vCPUs' time of "
        f"an operation is run, wait and idle"
    )
    contended = sum(bool(demand.contended) for demand in reached.demands)
    what += (
        f"; {count(contended, 'cell')} contended, by waiting of {format_percent(rule.wait)} or more ({COMMON_PRACTICE})"
    )
    broken = sum(demand.laws_hold is False for demand in reached.demands)
    if broken:
        what += f"; in {count(broken, 'cell')} run share, throughput and CPU time contradict each other"
    yield Step(step="what an operation takes", what=what, source=_OPERATIONS)


def growth(reached: Verdict) -> Iterator[Step]:
    """Which laws were fitted to how throughput grows, and why one was chosen."""
    fitted = [scaling for scaling in reached.scaling if scaling.laws]
    for scaling in fitted:
        yield _curve(scaling, several=len({s.workload for s in fitted}) > 1)
    if (rest := Counter(s.why_no_law for s in reached.scaling if not s.laws)) and not fitted:
        what = f"no law was fitted to {count(sum(rest.values()), 'curve')}: {next(iter(rest))}"
        yield Step(step="growth", what=what, source=_CHOICE)


def _curve(scaling: Scaling, *, several: bool) -> Step:
    where = f" of shape {scaling.shape}" if scaling.shape is not None else ""
    where += f" with {count(scaling.threads, 'thread')}" if scaling.threads is not None else ""
    where += f" under {scaling.workload}" if several else ""
    sizes = [point.size for point in scaling.points]
    tried = [_LAWS[found.law] for found in scaling.laws]
    what = (
        f"{count(len(sizes), 'point')}{where}, {sizes[0]} to {sizes[-1]} {_OVER[scaling.over]}; weighted least squares "
    )
    what += f"within what the parameters can mean, of {', '.join(name for name, _ in tried)}"
    if scaling.law is not None:
        what += f"; the simplest that the points do not contradict: {_LAWS[scaling.law][0]}"
    elif scaling.why_no_law is not None:
        what += f"; none: {scaling.why_no_law.rstrip('.')}"
    sources = "; ".join(source for name, source in tried if name != _LAWS["proportional"][0])
    return Step(step=f"growth over {_OVER[scaling.over]}", what=what, source=f"{sources}; {_CHOICE}")
