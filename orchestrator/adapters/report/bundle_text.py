"""What a bundle says in words: the texts that are packed beside a run, and what the verbs tell of a bundle."""

from __future__ import annotations

import io
import shlex
import textwrap
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console, Group, RenderableType

from orchestrator.adapters.report.json_out import SCHEMA_VERSION, to_json
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import bullet
from orchestrator.adapters.report.sections import section
from orchestrator.adapters.report.text import Given, Text
from orchestrator.adapters.report.verdict_text import render_verdict, verdict_json
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.record.stored_plan import StoredPlan
from orchestrator.core.verdict.minutes import TimeUse
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.units import Bytes, format_duration, format_size

_PAGE = 100

_HEAD = """\
{title}
{line}

{about}

WHAT IS HERE
  run/                    the run's folder, as its owner's store keeps it: {run}
  verdict.txt             what it showed, in words; verdict.json is the same for programs
  ro-crate-metadata.json  what each file is, for programs (RO-Crate 1.1)

{absent}

TO CHECK IT
  trialbed open BUNDLE.zip
  or without trialbed, in the folder above this one: sha512sum --check --quiet manifest-sha512.txt
"""
_REPEAT = """
TO REPEAT IT ON YOUR OWN LAB
  trialbed repeat BUNDLE.zip --lab YOUR-LAB.yaml
{caution}

TO REPEAT IT BY HAND
{by_hand}
"""
_TAIL = """
SHAPES
{shapes}

TRIALS
{trials}
"""
_MEASURED = """\
plan.yaml and lab.yaml as
                          they were written, inputs/ with the workloads' own files, run.json with the plan as
                          resolved and every trial in its order, environment.json with the facts of host and
                          guest, journal.jsonl with what happened, trials/ with a summary, the series (Parquet)
                          and the log of each trial"""
_IMPORTED = """\
inputs/ with the table
                          and logs that were imported, run.json with what they say, trials/ with each reading"""
_ABSENT = (
    "Not packed, since it concerns the owner of the run only: how the guests were defined before the run, what was put "
    "apart and does not count, drafts, locks and signs of life."
)
_REPLACED = (
    " Names of hosts, guests, users, keys and addresses were replaced, the same by the same everywhere, and digests "
    "made anew."
)
CAUTION = (
    "Guests are switched off and given other sizes for it. Take only guests whose owner agrees (may-power-cycle: true "
    "in the lab), and mind licences that are counted by vCPU, and change control. The workloads are programs of "
    "whoever made the bundle, and are run in your guest: look at them first."
)


def how_to_repeat(run: StoredRun, *, anonymised: bool) -> str:
    """The text that lies in a bundle for whoever gets it, in plain lines."""
    record, imported = run.record, run.record.origin == "imported"
    kind = "imported from readings that were taken elsewhere" if imported else safe(record.guest_kind)
    about = f"Run {record.id} ({safe(run.standing)}), begun {record.started_utc}, guest {safe(record.guest)}: {kind}."
    title = safe(record.title)
    head = _HEAD.format(
        title=title,
        line="=" * len(title),
        about=textwrap.fill(about, _PAGE, break_on_hyphens=False),
        run=_IMPORTED if imported else _MEASURED,
        absent=textwrap.fill(_ABSENT + (_REPLACED if anonymised else ""), _PAGE),
    )
    repeat = (
        ""
        if imported
        else _REPEAT.format(
            caution=_indented(CAUTION), by_hand=_indented(by_hand(record, "For each trial below, in this order"))
        )
    )
    return head + repeat + _TAIL.format(shapes="\n".join(_shapes(record.declared)), trials="\n".join(_trials(run)))


def _indented(text: str) -> str:
    return textwrap.fill(text, _PAGE, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)


def by_hand(record: RunRecord, which: str) -> str:
    """How somebody without this program would measure the same.

    Args:
        record: of the run.
        which: of the trials, and in which order, to begin with.
    """
    plan = record.declared
    warm_up = _between(plan.at("measure", "warm_up"), ", which takes {} at the least and is given up after {}")
    steady = _between(plan.at("measure", "steady"), " over {} at the least and {} at the most")
    sort = (
        f"The order within a block is a sort by SHA-256 of {safe(record.order_rule)}"
        f"/SEED/BLOCK/SHAPE/WORKLOAD/THREADS, with seed {record.seed}."
    )
    return (
        f"{which}: give the guest the shape while it is off, start it, start the workload "
        f"with so many threads, wait until throughput is steady{warm_up}; then take its mean{steady}. "
        f"{sort if plan.at('design', 'order') == 'random' else 'The order within a block is that of the plan.'}"
    )


def _between(limits: object, words: str) -> str:
    """Two limits in words; nothing where a plan has none."""
    least, most = (limits.get(key) for key in ("at_least", "at_most")) if isinstance(limits, Mapping) else (None, None)
    if not isinstance(least, int | float) or not isinstance(most, int | float):
        return ""
    return words.format(format_duration(least), format_duration(most))


def _shapes(plan: StoredPlan) -> Iterator[str]:
    for shape in plan.shapes:
        memory = shape.get("memory")
        size = f", {format_size(int(memory))}" if memory is not None else ""
        yield f"  {safe(str(shape['name']))}: {shape['vcpus']} {'vCPU' if shape['vcpus'] == 1 else 'vCPUs'}{size}"


def _trials(run: StoredRun) -> Iterator[str]:
    outcome = {trial.id: trial.outcome for trial in run.trials}
    yield f"  {'number':>6}  {'block':>5}  {'threads':>7}  {'outcome':<10}  shape, workload"
    for trial in run.record.trials:
        came = outcome.get(trial.id, "not run")
        cell = f"{safe(trial.shape)}, {safe(trial.workload)}"
        yield f"  {trial.number:>6}  {trial.block:>5}  {trial.threads:>7}  {came:<10}  {cell}"


def verdict_files(run: StoredRun, verdict: Verdict, time: tuple[TimeUse, ...]) -> dict[str, bytes]:
    """The verdict as the two files of a bundle."""
    page = Console(file=io.StringIO(), width=_PAGE, highlight=False, color_system=None, force_terminal=False)
    with page.capture() as capture:
        title = safe(run.record.title)
        shown = render_verdict(verdict, per="second", guest_kind=run.record.guest_kind, title=title, time=time)
        page.print(shown, crop=False)
    text = "\n".join(line.rstrip() for line in capture.get().splitlines()).strip("\n")
    told = {"schema_version": SCHEMA_VERSION, "run": run.record.id, "verdict": verdict_json(verdict, time)}
    return {"verdict.txt": f"{text}\n".encode(), "verdict.json": f"{to_json(told)}\n".encode()}


@dataclass(frozen=True)
class Archive:
    """A bundle's file, as it is told of.

    Attributes:
        path: as it was given.
        sha256: its digest.
        files, size_bytes: of what it holds.
        packed_by: name and version of what packed it.
        anonymised: whether names were replaced.
    """

    path: Path
    sha256: str
    files: int
    size_bytes: Bytes
    packed_by: str
    anonymised: bool


def render_packed(run: StoredRun, archive: Archive, remarks: Sequence[str]) -> RenderableType:
    """What ``pack`` made."""
    path = shlex.quote(str(archive.path))
    return Group(
        Text(f"run {safe(run.record.id)} ({safe(run.standing)})"),
        Text(f"packed into {safe(str(archive.path), 1000)}", style="bold"),
        Text(f"{_size(archive)}; read back, and every digest checked"),
        Text(f"SHA-256 {archive.sha256}"),
        *(bullet(remark) for remark in remarks),
        _command(f"look at it with: trialbed open {safe(path, 1000)}"),
    )


def packed_json(run: StoredRun, archive: Archive, remarks: Sequence[str]) -> dict[str, Any]:
    """What ``trialbed pack --json`` prints."""
    told = {"run": run.record.id, "state": run.state, "bundle": _archive_json(archive), "remarks": list(remarks)}
    return {"schema_version": SCHEMA_VERSION, **told}


def render_unpacked(run: StoredRun, store_words: str, *, copied: bool) -> RenderableType:
    """What ``unpack`` did.

    Args:
        run: as it lies in the store.
        store_words: what a command has to be given to find that store.
        copied: whether it was not there before.
    """
    run_id = safe(run.record.id)
    did = "kept in" if copied else "was there already, with the same bytes, in"
    return Group(
        Given(safe(run.record.title), style="bold"),
        Text(f"run {run_id} ({safe(run.standing)})"),
        Text(f"{did} {safe(run.location, 1000)}"),
        _command(f"look at it with: trialbed show {run_id}{safe(store_words, 1000)}"),
    )


def unpacked_json(run: StoredRun, archive: Archive, *, copied: bool) -> dict[str, Any]:
    """What ``trialbed unpack --json`` prints."""
    told = {"run": run.record.id, "state": run.state, "location": run.location, "copied": copied}
    return {"schema_version": SCHEMA_VERSION, **told, "bundle": _archive_json(archive)}


def render_bundle(archive: Archive, record: RunRecord, built_in: Collection[str]) -> RenderableType:
    """A bundle whose every digest was checked; its run is shown below it.

    Args:
        archive: its file.
        record: what its run was begun with.
        built_in: SHA-256 digests of the files of the built-in loads.
    """
    names = "names were replaced when it was packed" if archive.anonymised else "names are as they were"
    programs = list(_programs(record, built_in)) if record.origin == "measured" else []
    return Group(
        Text(f"bundle {safe(str(archive.path), 1000)}", style="bold"),
        Text(f"{_size(archive)}; every digest was checked, and nothing is wrong"),
        Text(f"SHA-256 {archive.sha256}"),
        Text(f"packed by {safe(archive.packed_by)}; {names}"),
        _command(f"to have its run in your store: trialbed unpack {safe(shlex.quote(str(archive.path)), 1000)}"),
        Text(),
        *section("What would run where it is repeated", programs),
    )


def _programs(record: RunRecord, built_in: Collection[str]) -> Iterator[str]:
    """Every program of a run, as whoever repeats it would have it run."""
    for load in record.declared.workloads:
        start = f"{load['name']}/"
        files = {
            name.removeprefix(start): digest for name, digest in record.inputs_sha256.items() if name.startswith(start)
        }
        told = _argv(load["command"]) if load.get("command") else _built_in(str(load.get("use")), files, built_in)
        before = f"; before each trial: {_argv(load['prepare'])}" if load.get("prepare") else ""
        yield f"in the guest, for workload {load['name']}: {told}{before}; files: {', '.join(files) or 'none'}"
    for neighbour in record.plan.get("neighbours") or ():
        where = f"in guest {neighbour['guest']}" if neighbour.get("guest") else "on the host itself"
        told = _argv(neighbour["command"]) if neighbour.get("command") else f"{neighbour.get('loops')} busy loops"
        yield f"{where}, beside the guest: {told}"
    yield "after trialbed unpack the files lie in the run's folder, in inputs/"


def _built_in(name: str, files: Mapping[str, str], built_in: Collection[str]) -> str:
    """The bundle's own copy is what runs, so it is told whether that is what everybody has."""
    same = all(digest in built_in for digest in files.values())
    return f"the built-in load {name}, {'as' if same else 'NOT as'} this version of trialbed has it"


def _argv(arguments: Sequence[object]) -> str:
    return shlex.join(map(str, arguments))


def bundle_json(archive: Archive, run: Mapping[str, Any]) -> dict[str, Any]:
    """What ``trialbed open --json`` prints: what ``show --json`` does, and the bundle."""
    return {**run, "bundle": _archive_json(archive)}


def _command(text: str) -> Text:
    """A line that ends in something to be typed, which is never broken up."""
    return Text(text, no_wrap=True, overflow="ignore")


def _size(archive: Archive) -> str:
    return f"{archive.files} files, {format_size(archive.size_bytes)}"


def _archive_json(archive: Archive) -> dict[str, Any]:
    return {
        "path": str(archive.path),
        "sha256": archive.sha256,
        "files": archive.files,
        "size_bytes": archive.size_bytes,
        "packed_by": archive.packed_by,
        "anonymised": archive.anonymised,
    }
