"""A run of the store packed for somebody else."""

from __future__ import annotations

import contextlib
import getpass
import json
import socket
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator import __version__
from orchestrator.adapters.bundle.reading import Bundle
from orchestrator.adapters.bundle.writing import Contents, for_others, pack
from orchestrator.adapters.interrupts import heed
from orchestrator.core.record.journal import EARLY_ENDS
from orchestrator.core.record.run import StoredRun
from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.wiring.bundles import built_in_files, wrong_with
from orchestrator.wiring.views import folder_store, run_view

if TYPE_CHECKING:
    from orchestrator.adapters.bundle.names import Names
    from orchestrator.core.record.finding import Verified

#: Said of each bundle with other names.
_LOOK = (
    "replaced are names of the lab and of accounts, and addresses wherever they stand; what titles, comments in "
    "plan.yaml and lab.yaml and the workload's output tell besides is not known to trialbed: look before you hand it on"
)
#: Said of every other bundle.
_AS_THEY_ARE = (
    "names of hosts, guests and users, and addresses, are in it as they are; for people outside, --anonymise replaces "
    "them"
)
_ENDED = ("done", *EARLY_ENDS)
#: What a run's folder may hold beside what is packed, and what that is.
_LEFT_OUT = {
    "before": "how the guests were defined before the run",
    "discarded": "what was put apart and does not count",
    "unfinished": "drafts of trials that were cut short",
    "journal.torn": "a line of the journal that was cut short",
}


@dataclass(frozen=True)
class PackedRun:
    """What was made of a run.

    Attributes:
        run: as it was packed.
        path: of the archive.
        bundle: the archive as it was read back.
        remarks: what whoever hands it on should know, a sentence each.
    """

    run: StoredRun
    path: Path
    bundle: Bundle
    remarks: tuple[str, ...]


def pack_run(run: str, store: str, output: Path | None, *, anonymise: bool, replacing: bool) -> PackedRun:
    """Pack a run of the store.

    Args:
        run: an id, the beginning of one, ``last``, or the path of a run's folder.
        store: the results folder.
        output: the archive, or a folder for it; ``RUN.zip`` in the current folder where it is left out.
        anonymise: whether names are replaced.
        replacing: whether an archive that is there is written over.

    Raises:
        StoreError: there is no such run, it has not ended, or it is damaged.
        InputError: the archive cannot be written, or a name cannot be replaced.
    """
    heed()
    kept = folder_store(store)
    stored = kept.find(run)
    _refuse_unfinished(stored)
    remarks = [*_standing_remarks(stored), *_left_out(Path(stored.location))]
    _refuse_damaged(kept.verify(run), stored)
    with ExitStack() as stack:
        folder = Path(stored.location)
        if anonymise:
            scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="trialbed-pack-")))
            folder, told = _anonymised(stored, kept.inputs(stored), scratch)
            remarks += told
        else:
            remarks.append(_AS_THEY_ARE)
        packed = _pack(folder, output, replacing=replacing, anonymised=anonymise)
        return replace(packed, remarks=tuple(remarks))


def _refuse_unfinished(stored: StoredRun) -> None:
    run = stored.record.id
    if stored.state == "running":
        raise StoreError(f"run {run} is going on; pack it when it has ended (trialbed status {run} tells)")
    if stored.state not in _ENDED:
        raise StoreError(f"run {run} was cut short and has no end; go on with it first: trialbed resume {run}")


def _refuse_damaged(verified: Verified, stored: StoredRun) -> None:
    """What others get is whole; what only its owner has may be damaged, or gone."""
    folder = Path(stored.location)
    packed = set(for_others(folder))
    for finding in verified.findings:
        theirs = finding.path.startswith(tuple(f"{name}/" for name in _LEFT_OUT)) or finding.path in _LEFT_OUT
        if not theirs and (finding.path in packed or not (folder / finding.path).exists()):
            raise StoreError(f"run {stored.record.id} is damaged, so it was not packed: {finding.sentence}")


def _standing_remarks(stored: StoredRun) -> Iterator[str]:
    if stored.state != "done":
        there = f"{len(stored.trials)} of {len(stored.record.trials)}"
        yield f"the run ended before its last trial: {there} are in the bundle"
    for left in stored.not_back:
        yield f"guest {left.guest} was not put back after the run; trialbed restore {stored.record.id} does that"


def _left_out(folder: Path) -> Iterator[str]:
    there = [f"{name} ({what})" for name, what in _LEFT_OUT.items() if (folder / name).exists()]
    if there:
        yield f"not packed, since it concerns its owner only: {', '.join(there)}"


def _pack(folder: Path, output: Path | None, *, replacing: bool, anonymised: bool) -> PackedRun:
    """Pack a folder that holds what is to be packed, with the verdict on it."""
    from orchestrator.adapters.report.bundle_text import how_to_repeat, verdict_files

    view = run_view(str(folder.resolve()), ".", "second")
    run = view.run
    # A folder that was renamed is packed under the name that the run's own files have.
    record = run.record.model_copy(update={"id": run.began_as or run.record.id})
    run = replace(run, record=record, began_as="")
    beside = verdict_files(run, view.verdict, view.time)
    beside["how-to-repeat.txt"] = how_to_repeat(run, anonymised=anonymised).encode()
    events = folder_store(".").journal(run)
    ended_utc = events[-1].time_utc if events else record.started_utc
    contents = Contents(folder, record, ended_utc, f"trialbed {__version__}", beside, anonymised)
    target = _target(output, record.id)
    return PackedRun(run, target, pack(contents, target, _whole, replace=replacing), ())


def _whole(bundle: Bundle) -> None:
    if wrong := wrong_with(bundle):
        raise StoreError(f"run {bundle.run} was not packed, since the bundle {wrong}; this is a defect in trialbed")


def _target(output: Path | None, run: str) -> Path:
    if output is None:
        return Path(f"{run}.zip")
    return output / f"{run}.zip" if output.is_dir() else output


def _anonymised(stored: StoredRun, inputs: Mapping[str, bytes], scratch: Path) -> tuple[Path, list[str]]:
    """A copy of the run with other names, and what there is to say of it."""
    from orchestrator.adapters.bundle.anonymising import Known, anonymised
    from orchestrator.adapters.bundle.names import texts_in
    from orchestrator.adapters.plan_file import load_texts
    from orchestrator.adapters.store.parquet import column_names
    from orchestrator.wiring.drivers import driver_facts

    folder = Path(stored.location)
    lab = None
    if "lab.yaml" in inputs:  # an imported run has none
        try:
            lab = load_texts(inputs["plan.yaml"], inputs["lab.yaml"], driver_facts()).lab
        except InputError as error:
            raise StoreError(
                f"the plan and lab of run {stored.record.id} cannot be read any more, so the names in them are "
                f"not known and cannot be replaced: {error.problems[0]}"
            ) from error
    copy = anonymised(folder, scratch, Known(lab, _packers(folder), built_in_files(), column_names))
    if lab is not None:
        texts = [(copy.folder / name).read_bytes() for name in ("plan.yaml", "lab.yaml")]
        renamed = load_texts(texts[0], texts[1], driver_facts()).lab.model_dump(mode="json")
        _refuse_left(copy.names, texts_in(renamed))
    kept = [f"{name.name!r} stays, since it {name.why}" for name in copy.names.kept]
    return copy.folder, [*kept, _LOOK]


def _refuse_left(names: Names, texts: Iterator[str]) -> None:
    """A name that its file spells in another way, with escapes or over several lines, cannot be found in the text."""
    new = {name.casefold() for name in names.new.values()}
    for text in texts:
        left = names.named_in(text)
        if left is not None and left.casefold() not in new:
            message = f"spells {left!r} in a way that cannot be replaced; write it as it is, and run the plan again"
            raise InputError([Problem("lab.yaml", "", message)])


def _packers(folder: Path) -> list[tuple[str, str]]:
    """Machine and user that may be named in a run: where it was run, as far as it is known, and where it is packed."""
    found: list[tuple[str, str]] = []
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):  # it goes when a run has ended
        found.append((str(json.loads((folder / "alive.json").read_bytes())["machine"]), ""))
    try:
        user = getpass.getuser()
    except (KeyError, OSError):  # a user without a name, as in a container
        user = ""
    return [*found, (socket.gethostname(), user)]
