"""The design matrix: a plan becomes cells, and cells become ordered trials with stable ids.

Each block is one pass over all cells in random order (a randomised complete block design; Montgomery, *Design and
Analysis of Experiments*, ch. 4). The order comes from a hash and not from a library's generator, so that any language
can repeat it: within block ``b`` the cells are sorted by the SHA-256 digest of the UTF-8 text
``trialbed-order-1/SEED/b/SHAPE/WORKLOAD/THREADS`` (numbers in decimal, blocks from 1). Sorting by independent,
uniformly distributed keys is a uniformly random permutation.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from orchestrator.core.design.plan import CellPattern, Plan
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.workload import Workload

ORDER_RULE = "trialbed-order-1"


@dataclass(frozen=True)
class Cell:
    """One shape x workload x thread count: a treatment, in the design-of-experiments sense."""

    shape: Shape
    workload: Workload
    threads: int

    @property
    def id(self) -> str:
        """The cell's name, unique within a plan: ``two-bookings-t2``."""
        return f"{self.shape.name}-{self.workload.name}-t{self.threads}"

    @property
    def key(self) -> tuple[str, str, int]:
        """What tells this cell from every other of its plan."""
        return (self.shape.name, self.workload.name, self.threads)


@dataclass(frozen=True)
class Trial:
    """One replicate of a cell.

    Attributes:
        number: position in the run, from 1.
        block: the pass over all cells that it belongs to, from 1.
    """

    number: int
    block: int
    cell: Cell

    @property
    def id(self) -> str:
        """Stable name of the trial and of its folder: ``0007-two-bookings-t2-b3``."""
        return f"{self.number:04d}-{self.cell.id}-b{self.block}"


def matches(pattern: CellPattern, cell: Cell) -> bool:
    """Whether a filter selects a cell."""
    wanted = (pattern.shape, pattern.workload, pattern.threads)
    return all(want is None or want == have for want, have in zip(wanted, cell.key, strict=True))


def cells(plan: Plan) -> tuple[Cell, ...]:
    """All cells of a plan in the order written: shapes, then workloads, then threads, less what the filters drop.

    Of a plan with templates, those of its templates.
    """
    if plan.templates:
        shapes, loads = {shape.name: shape for shape in plan.shapes}, {load.name: load for load in plan.workloads}
        return tuple(Cell(shapes[t.shape], loads[t.workload], t.threads) for t in plan.templates)
    every = (Cell(shape, load, threads) for shape in plan.shapes for load in plan.workloads for threads in load.threads)
    only, dropped = plan.design.only, plan.design.except_
    return tuple(
        cell
        for cell in every
        if (not only or any(matches(p, cell) for p in only)) and not any(matches(p, cell) for p in dropped)
    )


def trials(plan: Plan) -> tuple[Trial, ...]:
    """The trials of a plan in the order in which they are run; all of them, where the evidence may end the run earlier.

    A block's order depends on the seed and on its number alone, so a plan with fewer blocks has the same first trials.
    """
    chosen = cells(plan)
    ordered: list[Trial] = []
    for block in range(1, plan.design.most_blocks + 1):
        row = (
            chosen
            if plan.design.order == "as-written"
            else sorted(chosen, key=lambda c: order_key(plan.design.seed, block, c))
        )
        first = len(ordered)
        ordered.extend(Trial(first + position, block, cell) for position, cell in enumerate(row, start=1))
    return tuple(ordered)


def order_key(seed: int, block: int, cell: Cell) -> bytes:
    """The sort key of a cell within a block; see the module's docstring for the rule."""
    shape, workload, threads = cell.key
    return hashlib.sha256(f"{ORDER_RULE}/{seed}/{block}/{shape}/{workload}/{threads}".encode()).digest()
