"""A catalogue of templates: the sizes that are handed out, each with the load that it is measured by.

A template is one cell of the plan. Those of one workload stand in order of rank: each is to do more than the one before
it, and may say which share of the next one's throughput it is expected to have.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Annotated

from pydantic import Field

from orchestrator.core.design.declared import Declared, Finding, Name, Percent, Whole
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed, shown, unknown
from orchestrator.core.design.workload import Workload


class Template(Declared):
    """A size that is handed out, measured as one cell."""

    name: Name
    """Names the template: what people ask for."""
    shape: Name
    """Its size: one of ``shapes``."""
    workload: Name
    """The load that it is measured by: one of ``workloads``."""
    threads: Annotated[Whole, Field(ge=1, le=4096)]
    """With how many threads: one of the workload's counts."""
    share_of_next: Annotated[Percent, Field(gt=0, lt=1)] | None = None
    """The share that its throughput is expected to be of the next template's; left out, only the rank is checked."""

    @property
    def key(self) -> tuple[str, str, int]:
        """Its cell: shape, workload, threads."""
        return (self.shape, self.workload, self.threads)


def template_findings(
    templates: Sequence[Template], shapes: Sequence[Shape], workloads: Sequence[Workload]
) -> Iterator[Finding]:
    """What is wrong with a catalogue; paths are the plan's."""
    sizes, loads = {shape.name: shape for shape in shapes}, {load.name: load for load in workloads}
    for number, template in enumerate(templates):
        at, before = ("templates", number), templates[:number]
        if template.shape not in sizes:
            yield Finding((*at, "shape"), unknown("shape", template.shape, list(sizes)))
        if template.workload not in loads:
            yield Finding((*at, "workload"), unknown("workload", template.workload, list(loads)))
        elif template.threads not in (counts := loads[template.workload].threads):
            there = f"there {'are' if len(counts) > 1 else 'is'} {listed(counts)}"
            message = f"{template.threads} is no thread count of workload {template.workload}; {there}"
            yield Finding((*at, "threads"), message)
        for other, earlier in enumerate(before):
            if (clash := _clash(template, earlier, other)) is not None:
                yield Finding((*at, "name" if template.name == earlier.name else "shape"), clash)
                break
    yield from _out_of_order(templates, sizes)


def templates_beside(only: int, except_: int, *, until_decided: bool) -> Iterator[Finding]:
    """What of a plan's design does not go with a catalogue."""
    for key, patterns in (("only", only), ("except", except_)):
        if patterns:
            message = "the templates say already which cells are measured; leave out the one or the other"
            yield Finding(("design", key), message)
    if until_decided:
        message = (
            "templates are not looked at between blocks, so nothing would tell when to end; write a number of blocks, "
            "or leave the templates out"
        )
        yield Finding(("design", "blocks"), message)


def _clash(template: Template, earlier: Template, at: int) -> str | None:
    """Why two templates cannot stand beside each other, in words."""
    first = f"templates[{at}]"
    if template.name == earlier.name and template.workload == earlier.workload:
        return f"template name {shown(template.name)} is used twice, first by {first}; rename one"
    if template.name == earlier.name and template.shape != earlier.shape:
        return (
            f"template {shown(template.name)} is shape {template.shape} here and {earlier.shape} in {first}; a "
            "template has one size, under whatever load"
        )
    if template.key == earlier.key:
        return f"template {shown(template.name)} is the same cell as {shown(earlier.name)} ({first}); leave one out"
    return None


def _out_of_order(templates: Sequence[Template], sizes: dict[str, Shape]) -> Iterator[Finding]:
    """Shares without a next size, and a next size that is smaller."""
    for workload in dict.fromkeys(template.workload for template in templates):
        ladder = [(at, template) for at, template in enumerate(templates) if template.workload == workload]
        last_at, last = ladder[-1]
        if last.share_of_next is not None:
            message = (
                f"{last.name} is the last template of workload {workload}, so there is no next one to have a share of; "
                "leave this out, or write the larger one below it"
            )
            yield Finding(("templates", last_at, "share-of-next"), message)
        for (_, lower), (at, upper) in pairwise(ladder):
            if lower.shape in sizes and upper.shape in sizes and _smaller(sizes[upper.shape], sizes[lower.shape]):
                message = (
                    f"{upper.name} comes after {lower.name} and is smaller; templates stand in order of rank, "
                    "the least first"
                )
                yield Finding(("templates", at, "shape"), message)


def _smaller(one: Shape, other: Shape) -> bool:
    """Whether one shape has less of something than another, and more of nothing."""
    return one.vcpus <= other.vcpus and one.memory <= other.memory and one.size != other.size


def unused(templates: Sequence[Template], shapes: Sequence[Shape], workloads: Sequence[Workload]) -> Iterator[str]:
    """What a plan declares and no template has, a sentence each: it is not measured."""
    if not templates:
        return
    idle = [shape.name for shape in shapes if shape.name not in {template.shape for template in templates}]
    idle_loads = [load.name for load in workloads if load.name not in {template.workload for template in templates}]
    for kind, names in (("shape", idle), ("workload", idle_loads)):
        if names:
            plural = len(names) > 1
            yield f"no template has {kind}{'s' if plural else ''} {listed(names)}: not measured"
