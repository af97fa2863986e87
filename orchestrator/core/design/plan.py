"""The question: which shapes, under which workloads, measured how, decided by what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, ModelWrapValidatorHandler, model_validator

from orchestrator.core.design.blocks import Blocks
from orchestrator.core.design.declared import (
    Amount,
    Declared,
    Duration,
    Finding,
    Flag,
    Line,
    Name,
    Percent,
    Text,
    Whole,
    build_checked,
    refusal,
    refuse,
    repeats,
)
from orchestrator.core.design.neighbour import Neighbour
from orchestrator.core.design.quiet import QuietHost
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.start import Start
from orchestrator.core.design.templates import Template, template_findings, templates_beside
from orchestrator.core.design.wording import shown
from orchestrator.core.design.workload import Workload
from orchestrator.units import format_duration

_MONTH = 30 * 86400


class CellPattern(Declared):
    """Selects cells: a cell matches when every field that is given does."""

    shape: Name | None = None
    """Name of a shape."""
    workload: Name | None = None
    """Name of a workload."""
    threads: Annotated[Whole, Field(ge=1, le=4096)] | None = None
    """A thread count."""

    @model_validator(mode="after")
    def _selects_something(self) -> CellPattern:
        if self.shape is None and self.workload is None and self.threads is None:
            raise refusal("an empty filter matches every cell; give shape, workload or threads")
        return self


class Design(Declared):
    """How often each cell is measured, and in which order."""

    blocks: Blocks = 5
    """Passes over all cells: a number, or limits between which the evidence decides how many."""
    order: Literal["random", "as-written"] = "random"
    """Order of the cells within a block."""
    seed: Annotated[Whole, Field(ge=0, lt=2**63)] = 1
    """Decides the random order; the same seed gives the same order on every machine."""
    only: tuple[CellPattern, ...] = ()
    """Keep the cells that one of these matches; all when empty."""
    except_: Annotated[tuple[CellPattern, ...], Field(alias="except")] = ()
    """Drop the cells that one of these matches."""

    @property
    def least_blocks(self) -> int:
        """Blocks that are measured whatever they show."""
        return self.blocks if isinstance(self.blocks, int) else self.blocks.at_least

    @property
    def most_blocks(self) -> int:
        """Blocks that are measured at the most."""
        return self.blocks if isinstance(self.blocks, int) else self.blocks.at_most

    @property
    def until_decided(self) -> bool:
        """Whether the run ends as soon as the evidence decides."""
        return not isinstance(self.blocks, int)


class WarmUp(Declared):
    """Limits within which the end of the warm-up is looked for."""

    at_least: Annotated[Duration, Field(le=_MONTH)] = 10.0
    """Always discarded."""
    at_most: Annotated[Duration, Field(le=_MONTH)] = 300.0
    """A workload that has not settled by then is reported as not steady."""

    @model_validator(mode="after")
    def _ordered(self) -> WarmUp:
        return _in_order(self)


class Steady(Declared):
    """How much of the steady state is measured."""

    at_least: Annotated[Duration, Field(gt=0, le=_MONTH)] = 60.0
    """Always measured."""
    at_most: Annotated[Duration, Field(gt=0, le=_MONTH)] = 600.0
    """Measuring ends here however wide the interval still is."""
    until_within: Annotated[Percent, Field(gt=0, lt=1)] = 0.02
    """Measuring ends early once the interval's half-width is this share of the mean."""

    @model_validator(mode="after")
    def _ordered(self) -> Steady:
        return _in_order(self)


_Limits = TypeVar("_Limits", "WarmUp", "Steady")


def _in_order(limits: _Limits) -> _Limits:
    if limits.at_least > limits.at_most:
        least, most = format_duration(limits.at_least), format_duration(limits.at_most)
        refuse(
            [
                Finding(
                    ("at-least",),
                    f"at-least ({least}) is longer than at-most ({most}); shorten the one or lengthen the other",
                )
            ]
        )
    return limits


class Measure(Declared):
    """How one trial is measured."""

    every: Annotated[Duration, Field(ge=0.1, le=60)] = 1.0
    """Interval between two readings of the counters."""
    warm_up: WarmUp = WarmUp()
    """The initial transient that is discarded."""
    steady: Steady = Steady()
    """What is measured after it."""

    @model_validator(mode="after")
    def _enough_samples(self) -> Measure:
        if self.steady.at_least < 5 * self.every:
            least, every = format_duration(self.steady.at_least), format_duration(self.every)
            message = (
                f"{least} holds fewer than 5 samples, one every {every}: too few for an interval; "
                f"measure at least {format_duration(5 * self.every)} or sample more often"
            )
            refuse([Finding(("steady", "at-least"), message)])
        return self


class Price(Declared):
    """What a size costs, for throughput per unit of cost; in any currency and over any period."""

    vcpu: Amount = 0
    """Price of one vCPU."""
    memory: Amount = 0
    """Price of 1 GiB of memory."""
    unit: Annotated[Line, Field(max_length=40)] = "units of cost"
    """What the prices are in, such as ``EUR an hour``; shown as it stands."""

    @model_validator(mode="after")
    def _costs_something(self) -> Price:
        if self.vcpu == 0 and self.memory == 0:
            raise refusal("vcpu and memory are both 0, so nothing costs anything; give the price of one at least")
        return self


class Decide(Declared):
    """What difference matters, and how sure the verdict has to be."""

    margin: Annotated[Percent, Field(gt=0, lt=1)] = 0.03
    """The smallest relative difference in throughput that matters to you."""
    confidence: Annotated[Percent, Field(ge=0.5, lt=1)] = 0.95
    """Confidence level of every interval."""
    wait: Annotated[Percent, Field(gt=0, le=1)] = 0.05
    """From this share of its time on, a vCPU's waiting is worth a word (common practice, no published source)."""
    idle: Annotated[Percent, Field(gt=0, le=1)] = 0.9
    """From this share of its time on, a vCPU counts as idle (common practice, no published source)."""
    price: Price | None = None
    """What vCPUs and memory cost, to see which shape gives the most for its price; changes no recommendation."""


class Plan(Declared):
    """A whole experiment, valid once built."""

    title: Annotated[Line, Field(max_length=200)]
    """The question in one line."""
    lab: Annotated[Line, Field(max_length=1000)]
    """Path of the lab file, relative to the plan."""
    guest: Text
    """The guest to measure, by its name in the lab."""
    shapes: Annotated[tuple[Shape, ...], Field(min_length=1)]
    """The sizes to try."""
    workloads: Annotated[tuple[Workload, ...], Field(min_length=1)]
    """The loads to put on each."""
    templates: Annotated[tuple[Template, ...], Field(max_length=1000)] = ()
    """A catalogue of sizes that are handed out, the least first; where it is given, only its cells are measured."""
    share_host: Flag = False
    """Whether runs on other guests of the host may go on meanwhile, where their plans say so too."""
    neighbours: Annotated[tuple[Neighbour, ...], Field(max_length=100)] = ()
    """Other load on the host while the guest is measured: started and ended by the run."""
    design: Design = Design()
    """How often each cell is measured, and in which order."""
    measure: Measure = Measure()
    """How one trial is measured."""
    quiet: QuietHost | None = None
    """A quiet host is waited for before each trial; left out, nothing is waited for."""
    start: Start | None = None
    """When the run begins; left out, at once."""
    give_up_after: Annotated[Whole, Field(ge=1, le=1000)] = 5
    """Failed trials in a row after which the run uses the guest no further."""
    decide: Decide = Decide()
    """What difference matters."""

    @model_validator(mode="wrap")
    @classmethod
    def _names_tell_cells_apart(cls, data: Any, build: ModelWrapValidatorHandler[Plan]) -> Plan:
        return build_checked(data, build, _repeated_names(data))

    @model_validator(mode="after")
    def _cell_ids_differ(self) -> Plan:
        pairs = [(s, w) for s in self.shapes for w in self.workloads]
        for joined, at in repeats(f"{s.name}-{w.name}" for s, w in pairs):
            index = self.workloads.index(pairs[at][1])
            twins = " and ".join(f"{s.name} with {w.name}" for s, w in pairs if f"{s.name}-{w.name}" == joined)
            refuse(
                [
                    Finding(
                        ("workloads", index, "name"),
                        f"{twins} would both make cells called {shown(joined)}; rename one",
                    )
                ]
            )
        return self

    @model_validator(mode="after")
    def _templates_are_cells(self) -> Plan:
        if self.templates:
            beside = templates_beside(
                len(self.design.only), len(self.design.except_), until_decided=self.design.until_decided
            )
            refuse([*template_findings(self.templates, self.shapes, self.workloads), *beside])
        return self


def _repeated_names(data: object) -> list[Finding]:
    """Names used twice, from the raw data: an item that is wrong in another field still takes its name."""
    findings: list[Finding] = []
    for kind in ("shapes", "workloads", "neighbours"):
        items = data.get(kind) if isinstance(data, Mapping) else None
        if not isinstance(items, Sequence) or isinstance(items, str):
            continue
        names = list(_names(items))
        findings += [
            Finding(
                (kind, at, "name"),
                f"{kind[:-1]} name {shown(name)} is used twice, first by {kind}[{names.index(name)}]; rename one",
            )
            for name, at in repeats(names)
            if isinstance(name, str)
        ]
    return findings


def _names(items: Iterable[object]) -> Iterable[object]:
    """The name of each item; something that equals nothing else where an item has no proper name."""
    for position, item in enumerate(items):
        name = item.get("name") if isinstance(item, Mapping) else getattr(item, "name", None)
        yield name if isinstance(name, str) else position
