"""A colleague's experiment from its bundle, on a lab of one's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.adapters.local_time import NOTHING_ASKED, NOW, Asked
from orchestrator.adapters.plan_file import Loaded, load_lab, load_texts
from orchestrator.core.design.neighbour import neighbours_in
from orchestrator.core.design.trials import trials
from orchestrator.core.design.wording import shown
from orchestrator.core.record.cell_identity import cell_identities
from orchestrator.core.record.run import Repeats, RunRecord, StoredRun, planned
from orchestrator.errors import InputError, Problem, StoreError
from orchestrator.wiring.beginning import Original, record_of, run_new
from orchestrator.wiring.drivers import driver_facts
from orchestrator.wiring.job import Screen
from orchestrator.wiring.views import beside, folder_store

if TYPE_CHECKING:
    from orchestrator.core.design.lab import Lab
    from orchestrator.core.verdict.between_runs.results import RunsCompared

PLAN = "plan.yaml"


def repeat_bundle(  # noqa: PLR0913 - an option is an argument
    bundle: Path, lab: Path, store: str, screen: Screen, *, guest: str | None = None, asked: Asked = NOTHING_ASKED
) -> str:
    """Repeat the run of a bundle and see it through; returns the new run's id.

    Cells, their order, seed, durations and the bytes of the workloads are the original's. So are the blocks: where the
    original ended by what it saw, as many as it measured. Its start is not: the repetition begins at once, or when that
    is asked for. The original is put into the store beside it.

    Args:
        bundle: the archive.
        lab: to measure on.
        store: the folder of the runs.
        screen: where it is told of.
        guest: of the lab; the one with the original's name, or the only one, where left out.
        asked: the times.

    Raises:
        InputError: the bundle is none, or what it asks for is not what the lab has.
        StoreError: the store refuses, or holds another run of the original's name.
    """
    from orchestrator.adapters.store.adopting import adopt
    from orchestrator.adapters.workload_files import from_inputs
    from orchestrator.wiring.bundles import opened

    with opened(bundle) as found:
        kept = folder_store(str(found.run_folder.parent))
        original = kept.find(str(found.run_folder))
        inputs = kept.inputs(original)
        loaded = _planned_again(bundle, original, inputs, lab, guest)
        loads = from_inputs(loaded.plan, inputs)
        repeats = Repeats(run=found.run, bundle_sha256=found.sha256)
        if adopt(folder_store(store).root, found.run_folder):
            screen.say(f"the original was put into the store beside it: {found.run}")
    return run_new(loaded, store, screen, Asked(asked.until, asked.lasting, asked.at or NOW), Original(loads, repeats))


def _planned_again(
    bundle: Path, original: StoredRun, inputs: Mapping[str, bytes], lab: Path, guest: str | None
) -> Loaded:
    """The original's plan with this lab and its guest, which gives the same trials."""
    from orchestrator.adapters.plan_file.rewriting import with_values
    from orchestrator.engine.repetitions import fixed_blocks

    record = original.record
    if record.origin == "imported" or PLAN not in inputs:
        message = "holds imported readings, which nobody can repeat here; unpack it, and compare with it instead"
        raise InputError([Problem(str(bundle), "", message)])
    if not original.trials:
        raise InputError([Problem(str(bundle), "", "holds a run of which no trial has ended: nothing to repeat")])
    blocks = fixed_blocks(original)
    values: dict[tuple[str | int, ...], str | int] = {
        ("lab",): "lab.yaml",
        ("guest",): _guest(record.guest, load_lab(lab, driver_facts()), lab, guest),
    }
    if blocks is not None:
        values["design", "blocks"] = blocks
    name = f"{PLAN} of {bundle.name}"
    plan = with_values(inputs[PLAN], values, name=name)
    loaded = load_texts(plan, lab.read_bytes(), driver_facts(), names=(name, str(lab)))
    now = planned(trials(loaded.plan))
    if now != record.trials[: len(now)] or (blocks is None and len(now) != len(record.trials)):
        message = "gives other trials in this version of trialbed than it gave then; repeat with the version it names: "
        raise InputError([Problem(name, "", f"{message}{record.versions.get('trialbed', 'not told')}")])
    if unlike := _unlike(record, record_of(loaded, inputs, "", "")):
        message = f"has other {unlike} than run.json beside it, which is what was shown: do not repeat it"
        raise InputError([Problem(name, "", message)])
    return loaded


def _unlike(record: RunRecord, again: RunRecord) -> str:
    """What a plan would run other than the record of its run tells; empty where nothing is.

    The two come from somebody else: whoever looked at one must not be given the other.
    """
    if cell_identities(record) != cell_identities(again):
        return "sizes or loads"
    return "neighbours" if neighbours_in(record.plan) != neighbours_in(again.plan) else ""


def _guest(named: str, lab: Lab, path: Path, asked: str | None) -> str:
    """The guest to measure."""
    if asked is not None:
        if asked not in lab.guests:
            message = f"has no guest {shown(asked)}; it has {', '.join(lab.guests)}"
            raise InputError([Problem(str(path), "", message)])
        return asked
    if named in lab.guests:
        return named
    if len(lab.guests) > 1:
        message = f"has no guest {shown(named)} as the original; choose one with --guest: {', '.join(lab.guests)}"
        raise InputError([Problem(str(path), "", message)])
    return next(iter(lab.guests))


@dataclass(frozen=True)
class AgainstOriginal:
    """A repetition set against its original; or why it cannot be."""

    found: RunsCompared | None
    why_not: str = ""


def against_original(run: StoredRun, per: str) -> AgainstOriginal | None:
    """A repetition set against its original, which lies beside it, with the statement; ``None`` for any other run."""
    from orchestrator.engine.compare import compare_stored

    if (repeats := run.record.repeats) is None:
        return None
    root = Path(run.location).parent
    try:
        found = compare_stored(folder_store(str(root)), (beside(root, repeats.run),), run.record.id, per=per)
        return AgainstOriginal(found)
    except StoreError as error:
        return AgainstOriginal(None, f"{error}; unpack the bundle of the original, and compare then")
