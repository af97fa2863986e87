"""Which cells of two runs are the same, whatever they are called; and why the others are not."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from orchestrator.core.record.cell_identity import CellIdentity
from orchestrator.core.verdict.between_runs.results import MatchedBy, Unmatched
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.between_runs.unlike import only_files, unlike


@dataclass(frozen=True)
class Match:
    """One cell of the new run, and the same cell in the runs of the base.

    Attributes:
        new: the cell in the new run.
        base: number of each base run that holds it, and what it is called there.
        by: see :data:`~orchestrator.core.verdict.between_runs.results.MatchedBy`.
        remarks: what is not quite the same.
    """

    new: CellIdentity
    base: tuple[tuple[int, CellIdentity], ...]
    by: MatchedBy
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Pair:
    base: CellIdentity
    new: CellIdentity
    by: MatchedBy


def match(
    bases: Sequence[Side], new: Side, *, accept_changed_files: bool = False
) -> tuple[tuple[Match, ...], tuple[Unmatched, ...]]:
    """The cells that both have, in the order of the new run, and those that are left over.

    A cell is the same where its size, its load, the files that are sent and its threads are; of several that are, those
    of one name belong together, then those that come first. Where a side knows no more than names, as readings taken by
    hand do, the names of the loads decide, with vCPUs, threads and what is known of the memory.

    Args:
        bases: one run or more.
        new: the run that is set against them.
        accept_changed_files: a load is the same also where its files are not.
    """
    found = [_pairs(base, new, accept_changed_files) for base in bases]
    matches, left = [], []
    for identity in new.identities:
        partners = [(number, pair) for number, pairs in enumerate(found) for pair in pairs if pair.new is identity]
        held = [(number, pair) for number, pair in partners if pair.base.key in bases[number].cells]
        if not partners:
            left.append(Unmatched(side="new", cell=identity.id, why=_why(identity, new, bases[-1], "the base")))
        elif identity.key in new.cells and held:
            matches.append(_match(identity, held, len(bases)))
        else:
            left.append(_unseen(identity, partners, bases, new))
    left += _left_in_base(bases, new, found)
    return tuple(matches), tuple(left)


def _pairs(base: Side, new: Side, accept: bool) -> list[_Pair]:
    """Each cell at most once: by definition before by name, and of equals those of one name before the others."""

    def knows(cell: CellIdentity, side: Side) -> bool:
        return side.record.origin != "imported" and cell.load != "" and cell.memory is not None

    def defined(one: CellIdentity, two: CellIdentity) -> bool:
        return knows(one, base) and knows(two, new) and _same(one, two) and one.files == two.files

    def named(one: CellIdentity, two: CellIdentity) -> bool:
        return not (knows(one, base) and knows(two, new)) and _same_as_named(one, two)

    def but_for_files(one: CellIdentity, two: CellIdentity) -> bool:
        return accept and knows(one, base) and knows(two, new) and _same(one, two)

    rules: tuple[tuple[MatchedBy, Callable[[CellIdentity, CellIdentity], bool]], ...] = (
        ("definition", defined),
        ("definition", but_for_files),
        ("name", named),
    )
    found: list[_Pair] = []
    free, wanted = list(base.identities), list(new.identities)
    for by, same in rules:
        for same_name in (True, False):
            for cell in list(wanted):
                fits = (one for one in free if same(one, cell) and (not same_name or one.key == cell.key))
                if (partner := next(fits, None)) is not None:
                    found.append(_Pair(partner, cell, by))
                    free.remove(partner)
                    wanted.remove(cell)
    return found


def _same(one: CellIdentity, two: CellIdentity) -> bool:
    return (one.size, one.load, one.threads) == (two.size, two.load, two.threads)


def _same_as_named(one: CellIdentity, two: CellIdentity) -> bool:
    memory = one.memory is None or two.memory is None or one.memory == two.memory
    return memory and (one.workload, one.threads, one.vcpus) == (two.workload, two.threads, two.vcpus)


def _match(identity: CellIdentity, held: Sequence[tuple[int, _Pair]], runs: int) -> Match:
    remarks = []
    if names := dict.fromkeys(pair.base.id for _, pair in held if pair.base.id != identity.id):
        remarks.append(f"called {' and '.join(names)} in the base")
    if files := dict.fromkeys(name for _, pair in held for name in _changed_files(pair)):
        remarks.append(f"{', '.join(files)}: not the file that the base sent")
    if len(held) < runs:
        remarks.append(f"held by {len(held)} of {runs} base runs")
    by: MatchedBy = "name" if any(pair.by == "name" for _, pair in held) else "definition"
    return Match(identity, tuple((number, pair.base) for number, pair in held), by, tuple(remarks))


def _changed_files(pair: _Pair) -> Iterator[str]:
    if pair.by == "definition":
        yield from only_files(pair.base, pair.new)


def _why(cell: CellIdentity, side: Side, other: Side, where: str) -> str:
    """What is called the same there and is not, or that there is nothing like it."""
    namesakes = (one for one in other.identities if one.key == cell.key)
    but_for_files = (one for one in other.identities if _same(one, cell))
    for near in (*namesakes, *but_for_files):
        if found := unlike((cell, side.record), (near, other.record), where):
            return found
    if "imported" in {side.record.origin, other.record.origin}:
        like = (one for one in other.identities if (one.threads, one.vcpus) == (cell.threads, cell.vcpus))
        if called := dict.fromkeys(one.workload for one in like if one.workload != cell.workload):
            name = " or ".join(called)
            told = f"its load is called {cell.workload}, and {name} in {where}"
            return f"{told}; imported readings are matched by that name"
    return f"{where} has no such cell"


def _unseen(cell: CellIdentity, partners: Sequence[tuple[int, _Pair]], bases: Sequence[Side], new: Side) -> Unmatched:
    """A cell that is planned in both, where at least one has no trial of it that counts."""
    in_new = cell.key in new.cells
    number, pair = partners[-1]
    if in_new:
        return Unmatched(side="new", cell=cell.id, why=f"the base has {_nothing(pair.base, bases[number])}")
    held = any(p.base.key in bases[n].cells for n, p in partners)
    why = f"the new run has {_nothing(cell, new)}"
    return Unmatched(side="base", cell=pair.base.id, why=why if held else f"{why}, nor has the base")


def _nothing(cell: CellIdentity, side: Side) -> str:
    if cell.key in side.evidence.tried:
        return "no trial of it that became steady"
    if any((t.workload, t.threads, t.shape) == cell.key for t in side.run.trials):
        return "no trial of it that went through"
    return "not run a trial of it"


def _left_in_base(bases: Sequence[Side], new: Side, found: Sequence[Sequence[_Pair]]) -> Iterator[Unmatched]:
    """Cells of the base without a partner, each once; with the runs, where not all of them say the same."""
    told: dict[tuple[str, str], list[str]] = {}
    for base, pairs in zip(bases, found, strict=True):
        taken = {pair.base.key for pair in pairs}
        for cell in base.identities:
            if cell.key not in taken:
                told.setdefault((cell.id, _why(cell, base, new, "the new run")), []).append(base.record.id)
    for (cell_id, why), runs in told.items():
        where = "" if len(runs) == len(bases) else f" (run {', '.join(runs)})"
        yield Unmatched(side="base", cell=cell_id, why=f"{why}{where}")
