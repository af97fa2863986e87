"""A catalogue of templates: does each do more than the one before it, and has it the share of the next that it should?

Two neighbours in the catalogue are two cells of one block design and are compared as any two cells are: by log ratio,
block by block. One interval a pair answers both questions, so Bonferroni's inequality over the pairs (as in Dunn 1961)
makes all answers hold together. That a share is as expected is an equivalence (Schuirmann 1987) and takes the stricter
interval of one; that it is not takes an interval wholly beyond the margin.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, Literal

from orchestrator.core.measure.method import Step
from orchestrator.core.measure.results import Record
from orchestrator.core.verdict.cells import CellEstimate, CellReadings
from orchestrator.core.verdict.comparison import equal_confidence, log_ratio, margin_log, word
from orchestrator.core.verdict.inference.power import blocks_to_clear, blocks_to_hold
from orchestrator.core.verdict.inference.uncertainty import LogEstimate, exp
from orchestrator.core.verdict.words import capital, change, count, listed, span
from orchestrator.units import format_percent

#: ``lost`` also where the interval shows that it is above the one before by less than the margin.
Rank = Literal["kept", "lost", "undecided"]
Share = Literal["as expected", "higher", "lower", "undecided"]


@dataclass(frozen=True)
class Expected:
    """One template as its plan declares it.

    Attributes:
        share: of the next one's throughput that it should have; ``None`` where nothing is expected.
    """

    name: str
    shape: str
    workload: str
    threads: int
    share: float | None = None

    @property
    def key(self) -> tuple[str, int, str]:
        """Its cell, as :attr:`~orchestrator.core.verdict.cells.CellReadings.key` has it."""
        return (self.workload, self.threads, self.shape)


class TemplateFinding(Record):
    """What the readings say of one template.

    ``gain`` is its throughput over that of the template ``before`` it, ``share`` its throughput over that of the
    ``next`` one, each with an interval; all intervals hold together. They are ``None`` where there is no such template,
    or one of the two has no reading. ``rank`` says whether it does more than the one before, ``as_expected`` whether
    its share is what its plan expects (``expected``), each ``None`` where that is not asked. ``more_blocks`` would
    decide what is undecided; ``None`` when nothing is, or that is unknown or too many. ``sentence`` is all of it.
    """

    template: str
    cell: str
    shape: str
    workload: str
    threads: int
    throughput_per_s: float | None
    low: float | None
    high: float | None
    before: str | None
    gain: float | None
    gain_low: float | None
    gain_high: float | None
    rank: Rank | None
    next: str | None
    share: float | None
    share_low: float | None
    share_high: float | None
    expected: float | None
    as_expected: Share | None
    more_blocks: int | None
    sentence: str

    @property
    def broken(self) -> bool:
        """Whether it has lost its rank, or has another share of the next one than is expected."""
        return self.rank == "lost" or self.as_expected in {"higher", "lower"}

    @property
    def open(self) -> bool:
        """Whether something of it is undecided."""
        return "undecided" in {self.rank, self.as_expected}


@dataclass(frozen=True)
class _Step:
    """From one template to the next of its workload.

    Attributes:
        estimate: log of the lower one's throughput over the upper one's.
        ends: its interval, with all other steps; ``None`` where none is known.
        wide: the interval that has to lie within the margin to call something equal.
    """

    lower: Expected
    upper: Expected
    estimate: LogEstimate
    ends: tuple[float, float] | None
    wide: tuple[float, float] | None
    margin: float
    confidence: float
    equal: float

    @property
    def rank(self) -> Rank:
        """Of the upper one."""
        answer = word(self.ends, self.margin, self.wide)
        return "kept" if answer == "slower" else "undecided" if answer == "undecided" else "lost"

    @property
    def share(self) -> Share | None:
        """Whether the lower one has the share that is expected."""
        if self.lower.share is None:
            return None
        if self.ends is None or self.wide is None:
            return "undecided"
        bound, expected = margin_log(self.margin), math.log(self.lower.share)
        if -bound <= self.wide[0] - expected and self.wide[1] - expected <= bound:
            return "as expected"
        if self.ends[0] - expected > bound:
            return "higher"
        return "lower" if self.ends[1] - expected < -bound else "undecided"

    def blocks_for_rank(self) -> int | None:
        """Blocks in all that would decide the rank; ``None`` as for :func:`blocks_to_clear`."""
        clear = blocks_to_clear(self.estimate, 0.0, self.confidence)
        return _fewest(clear, blocks_to_hold(self.estimate, margin_log(self.margin), self.equal))

    def blocks_for_share(self) -> int | None:
        """Blocks in all that would decide the share."""
        bound, expected = margin_log(self.margin), math.log(self.lower.share or 1.0)
        off = replace(self.estimate, value=self.estimate.value - expected)
        if abs(off.value) < bound:
            return blocks_to_hold(off, bound, self.equal)
        return blocks_to_clear(off, math.copysign(bound, off.value), self.confidence)


def templates_in(plan: Mapping[str, Any]) -> tuple[Expected, ...]:
    """The templates that a stored plan declares; none in one stored before it could declare some."""
    return tuple(
        Expected(
            str(found["name"]),
            str(found["shape"]),
            str(found["workload"]),
            int(found["threads"]),
            None if (share := found.get("share_of_next")) is None else float(share),
        )
        for found in plan.get("templates") or ()
    )


def template_findings(
    templates: Sequence[Expected], cells: Sequence[CellReadings], *, margin: float, confidence: float
) -> tuple[TemplateFinding, ...]:
    """What the readings say of each template.

    Args:
        templates: those of one workload in order of rank, the least first.
        cells: of any number of workloads.
        margin: the smallest relative difference that matters.
        confidence: of all intervals together.
    """
    measured = {cell.key: cell for cell in cells}
    up: dict[Expected, _Step | None] = {}
    down: dict[Expected, _Step | None] = {}
    pairs = [pair for of_load in _ladders(templates) for pair in pairwise(of_load)]
    neighbours: dict[tuple[Expected, str], str] = {}
    each = 1 - (1 - confidence) / max(1, len(pairs))
    equal = max(each, equal_confidence(confidence))
    for lower, upper in pairs:
        up[lower] = down[upper] = _step((lower, upper), measured, margin, each, equal)
        neighbours |= {(lower, "next"): upper.name, (upper, "before"): lower.name}
    found = []
    for template in templates:
        cell = measured.get(template.key)
        found.append(
            _finding(
                template,
                None if cell is None else cell.estimate(confidence),
                (neighbours.get((template, "before")), down.get(template)),
                (neighbours.get((template, "next")), up.get(template)),
            )
        )
    return tuple(found)


def template_steps(found: Sequence[TemplateFinding], confidence: float) -> Iterator[Step]:
    """How the templates were judged; nothing where there are none."""
    if pairs := sum(finding.next is not None for finding in found):
        yield Step(
            step="templates",
            what=(
                f"each against the next one of its workload, {count(pairs, 'pair')}, block by block; each interval at "
                f"{format_percent(1 - (1 - confidence) / pairs, 2)} holds for rank and share alike, so that all do"
            ),
            source="Dunn 1961 (each at its share of the error); Schuirmann 1987 (shares as expected)",
        )


def templates_answer(found: Sequence[TemplateFinding]) -> str:
    """All of it in a sentence or two."""
    several, whole = len({finding.workload for finding in found}) > 1, count(len(found), "template")
    asked = [finding for finding in found if finding.rank is not None or finding.as_expected is not None]
    lost = [_named(f, several=several) for f in found if f.rank == "lost"]
    off = [_named(f, several=several) for f in found if f.as_expected in {"higher", "lower"}]
    open_ranks = [_named(f, several=several) for f in found if f.rank == "undecided"]
    open_shares = [_named(f, several=several) for f in found if f.as_expected == "undecided"]
    if not asked:
        return f"{capital(whole)}: there is nothing to rank."
    parts = [
        f"{listed(names)} {one if len(names) == 1 else several_of_them}"
        for names, one, several_of_them in (
            (lost, "has lost its rank", "have lost their ranks"),
            (off, "has another share of the next one than expected", "have other shares of the next one than expected"),
            (open_ranks, "may have lost its rank", "may have lost their ranks"),
            (open_shares, "may have another share of the next one", "may have other shares of the next one"),
        )
        if names
    ]
    if parts:
        return f"Of {whole}, {'; '.join(parts)}."
    shares = ", and has the share of the next one that is expected" if any(f.as_expected for f in found) else ""
    return f"Each of {whole} keeps its rank{shares}."


def _named(found: TemplateFinding, *, several: bool) -> str:
    return f"{found.template} under {found.workload}" if several else found.template


def _ladders(templates: Sequence[Expected]) -> Iterator[list[Expected]]:
    """The templates of each workload, in order of rank."""
    for workload in dict.fromkeys(template.workload for template in templates):
        yield [template for template in templates if template.workload == workload]


def _step(
    pair: tuple[Expected, Expected],
    measured: Mapping[tuple[str, int, str], CellReadings],
    margin: float,
    each: float,
    equal: float,
) -> _Step | None:
    """One pair of neighbours at the confidence of each; ``None`` where one of them has no reading."""
    lower, upper = pair
    one, two = measured.get(lower.key), measured.get(upper.key)
    if one is None or two is None:
        return None
    estimate = log_ratio(two, one)
    return _Step(lower, upper, estimate, estimate.interval(each), estimate.interval(equal), margin, each, equal)


def _fewest(*blocks: int | None) -> int | None:
    return min((number for number in blocks if number is not None), default=None)


def _finding(
    template: Expected,
    cell: CellEstimate | None,
    down: tuple[str | None, _Step | None],
    up: tuple[str | None, _Step | None],
) -> TemplateFinding:
    (before, lower), (following, upper) = down, up
    rank: Rank | None = None if before is None else "undecided" if lower is None else lower.rank
    share: Share | None = None if template.share is None else "undecided" if upper is None else upper.share
    needed = [
        *([lower.blocks_for_rank()] if lower is not None and rank == "undecided" else []),
        *([upper.blocks_for_share()] if upper is not None and share == "undecided" else []),
    ]
    seen = max((step.estimate.readings for step in (lower, upper) if step is not None), default=0)
    known = [blocks for blocks in needed if blocks is not None]
    more = max(1, max(known) - seen) if known and len(known) == len(needed) else None
    gain = _ratio(lower, turned=True)
    of_next = _ratio(upper, turned=False)
    return TemplateFinding(
        template=template.name,
        cell=f"{template.shape}-{template.workload}-t{template.threads}",
        shape=template.shape,
        workload=template.workload,
        threads=template.threads,
        throughput_per_s=cell.throughput_per_s if cell else None,
        low=cell.low if cell else None,
        high=cell.high if cell else None,
        before=before,
        gain=gain[0],
        gain_low=gain[1],
        gain_high=gain[2],
        rank=rank,
        next=following,
        share=of_next[0],
        share_low=of_next[1],
        share_high=of_next[2],
        expected=template.share,
        as_expected=share,
        more_blocks=more,
        sentence=_sentence(template, cell, (before, lower, rank), (following, upper, share), more),
    )


def _ratio(step: _Step | None, *, turned: bool) -> tuple[float | None, float | None, float | None]:
    """A ratio and its interval: lower over upper, or turned upper over lower."""
    if step is None:
        return None, None, None
    sign = -1.0 if turned else 1.0
    ends = sorted(sign * end for end in step.ends) if step.ends else None
    low, high = (exp(ends[0]), exp(ends[1])) if ends else (None, None)
    return exp(sign * step.estimate.value), low, high


def _sentence(
    template: Expected,
    cell: CellEstimate | None,
    down: tuple[str | None, _Step | None, Rank | None],
    up: tuple[str | None, _Step | None, Share | None],
    more: int | None,
) -> str:
    name = f"Template {template.name}"
    if cell is None:
        return f"{name} has no steady trial, so nothing can be said of it."
    parts = [*_of_rank(*down), *_of_share(template, *up)]
    blocks = f"; about {count(more, 'more block')} would decide" if more is not None else ""
    if not parts:
        return f"{name} stands alone: there is nothing to rank it by."
    return f"{name} {'; it '.join(parts)}{blocks}."


def _of_rank(before: str | None, step: _Step | None, rank: Rank | None) -> Iterator[str]:
    """Against the template before it, in words."""
    if before is None or rank is None:
        return
    if step is None:
        yield f"cannot be ranked, since {before} has no steady trial"
        return
    gain, low, high = _ratio(step, turned=True)
    size = change(gain or 0.0, whole=low is None)
    figures = f"{size} {'as' if size.startswith('the same') else 'than'} {before}{_bounds(low, high, span)}"
    if rank == "kept":
        yield f"keeps its rank: {figures}"
    elif rank == "lost":
        equal = word(step.ends, step.margin, step.wide) == "equivalent"
        yield f"has lost its rank: {figures}{', within the margin' if equal else ''}"
    else:
        yield f"may have lost its rank: {figures}, undecided"


def _of_share(template: Expected, following: str | None, step: _Step | None, share: Share | None) -> Iterator[str]:
    """Against the next template, in words."""
    if following is None or template.share is None or share is None:
        return
    expected = format_percent(template.share)
    if step is None:
        yield f"has no share of {following}, which has no steady trial ({expected} is expected)"
        return
    ratio, low, high = _ratio(step, turned=False)
    words = {
        "as expected": f"as expected ({expected})",
        "higher": f"more than the {expected} that is expected",
        "lower": f"less than the {expected} that is expected",
        "undecided": f"and {expected} is expected, undecided",
    }
    figures = f"{format_percent(ratio or 0.0)} of {following}{_bounds(low, high, _percents)}"
    yield f"gives {figures}, {words[share]}"


def _bounds(low: float | None, high: float | None, spelled: Callable[[float, float], str]) -> str:
    return " on the figures only" if low is None or high is None else f" ({spelled(low, high)})"


def _percents(low: float, high: float) -> str:
    return f"{format_percent(low)} to {format_percent(high)}"
