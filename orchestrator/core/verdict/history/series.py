"""Which runs measured the same cell on the same guest, and what each of them read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias

from orchestrator.core.record.cell_identity import CellIdentity
from orchestrator.core.record.run_line import CellLine, RunLine

Reading: TypeAlias = tuple[RunLine, CellLine]


@dataclass
class Series:
    """One cell on one guest.

    Attributes:
        readings: a run each, oldest first; each has a trial that counts.
    """

    readings: list[Reading] = field(default_factory=list)

    @property
    def latest(self) -> CellIdentity:
        """The cell as the latest run has it."""
        return self.readings[-1][1].identity


def series_of(runs: Sequence[RunLine], wanted: Callable[[str], bool]) -> tuple[Series, ...]:
    """The series with a cell whose id is wanted, in any of its runs.

    Runs belong together whose guest, driver, size, load with its files, and threads are the same, whatever the cell is
    called; of twins, cells of one run that are alike in all of that, the names tell. Readings that were taken by hand
    know no more than names and size: they join the cells of their names. A series has a run once.

    Args:
        runs: oldest first.
        wanted: whether the cell of an id is.
    """
    measured: dict[object, Series] = {}
    by_hand: list[Reading] = []
    twins = _twins(runs)
    for run in runs:
        for cell in run.cells:
            if not cell.logs:
                continue
            if run.origin == "imported":
                by_hand.append((run, cell))
            else:
                key = _key(run, cell.identity)
                key = (key, cell.identity.key) if key in twins else key
                measured.setdefault(key, Series()).readings.append((run, cell))
    found = list(measured.values())
    for run, cell in by_hand:
        joined = [series for series in found if _may_join(run, cell.identity, series)]
        if joined := [series for series in joined if series.latest.key == cell.identity.key] or joined:
            for series in joined:
                series.readings.append((run, cell))
        else:
            found.append(Series([(run, cell)]))
    order = {run.id: number for number, run in enumerate(runs)}
    for series in found:
        series.readings.sort(key=lambda reading: order[reading[0].id])
    kept = [series for series in found if any(wanted(cell.identity.id) for _, cell in series.readings)]
    return tuple(sorted(kept, key=lambda series: (_place(series.latest), order[series.readings[0][0].id])))


def cells_known(runs: Sequence[RunLine]) -> tuple[str, ...]:
    """Ids of all cells with a trial that counts, the latest run's first."""
    return tuple(dict.fromkeys(cell.identity.id for run in reversed(runs) for cell in run.cells if cell.logs))


def _key(run: RunLine, cell: CellIdentity) -> object:
    files = tuple(sorted(cell.files.items()))
    return (run.guest, run.guest_kind, run.hypervisor, cell.size, cell.load, files, cell.threads)


def _twins(runs: Sequence[RunLine]) -> set[object]:
    """Keys that some run has more than once."""
    found: set[object] = set()
    for run in runs:
        keys = [_key(run, cell.identity) for cell in run.cells if cell.logs and run.origin != "imported"]
        found |= {key for key in keys if keys.count(key) > 1}
    return found


def _may_join(run: RunLine, cell: CellIdentity, series: Series) -> bool:
    other, its = series.readings[0][0], series.latest
    if any(reading[0].id == run.id for reading in series.readings):
        return False
    same = (cell.workload, cell.threads, cell.vcpus) == (its.workload, its.threads, its.vcpus)
    return same and run.guest == other.guest and (cell.memory is None or cell.memory == its.memory)


def _place(cell: CellIdentity) -> tuple[tuple[str, int, str], int]:
    return cell.key, cell.vcpus
