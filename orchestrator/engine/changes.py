"""What is not as it was when a run that is resumed began: its files, the lab, the guests, this program.

Going on would mix two experiments, so all of it is told, and somebody has to say that it does not matter.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import trials
from orchestrator.core.design.wording import printable, shown
from orchestrator.core.record.journal import Event, accepted_inputs, progress
from orchestrator.core.record.run import RunRecord, planned
from orchestrator.engine.differences import definition_digest, guest_differences
from orchestrator.engine.keeping import describe_first, save_first
from orchestrator.engine.ports import Hypervisor, LeftBehind, RunWriter, SavedGuest
from orchestrator.errors import InputError, Problem, StageError

PLAN, LAB = "plan.yaml", "lab.yaml"
#: Keys of a plan that say what a trial is: with others, its trials would be others under the same names.
_OF_TRIALS = ("guest", "shapes", "workloads", "neighbours", "design")
_DIGITS = 12
_MOST = 80


@dataclass(frozen=True)
class Change:
    """One thing that is not as it was.

    Attributes:
        what: the file, field, guest or program.
        told: ``was ..., is ...``.
        acceptable: whether going on can be right.
    """

    what: str
    told: str
    acceptable: bool = True

    @property
    def sentence(self) -> str:
        """``lab.yaml: hosts.quay.uri: was ..., is ...``."""
        return f"{self.what}: {self.told}"


@dataclass(frozen=True)
class Kept:
    """What a run knew, counting what was accepted since.

    Attributes:
        inputs_sha256: digest of each input.
        version: of this program.
        away: whether a guest may be in a shape of the run, since the journal does not say that it was put back;
            by the guest's name.
        defined: digest of the definition that the run last gave a guest, by the guest's name.
    """

    inputs_sha256: Mapping[str, str]
    version: str
    away: frozenset[str]
    defined: Mapping[str, str] = field(default_factory=dict)


def kept_of(record: RunRecord, events: Sequence[Event]) -> Kept:
    """What a run knew, by its record and its journal."""
    program, defined = record.versions.get("trialbed", ""), {}
    for event in events:
        if event.event == "changes-accepted":
            program = str(event.detail.get("version", program))
        elif event.event == "guest-defined":
            defined[str(event.detail.get("guest"))] = str(event.detail.get("sha256"))
    away = {record.guest if guest == "" else guest for guest in progress(events).away}
    return Kept(record.inputs_sha256 | accepted_inputs(events), program, frozenset(away), defined)


def sha256(content: bytes) -> str:
    """A digest as records have it."""
    return hashlib.sha256(content).hexdigest()


def file_changes(kept: Kept, inputs: Mapping[str, bytes], *, other_lab: bool) -> Iterator[Change]:
    """Plan, lab and the workloads' files against their digests; another lab makes up for one that is missing."""
    for name, digest in kept.inputs_sha256.items():
        if name not in inputs:
            told = "was kept, is missing; put the file back from a copy"
            yield Change(printable(name), told, acceptable=other_lab and name == LAB)
        elif (now := sha256(inputs[name])) != digest:
            yield Change(printable(name), f"was sha256 {digest[:_DIGITS]}..., is {now[:_DIGITS]}...")


def record_changes(altered: Iterable[str], lost: Collection[str]) -> Iterator[Change]:
    """Records that are not as they were when the run was sealed: going on seals it anew, and would vouch for them.

    Args:
        altered: their names.
        lost: trials that are run again, since theirs cannot be read.
    """
    for name in altered:
        trial = name.removeprefix("trials/").removesuffix("/trial.json")
        if name not in {PLAN, LAB} and trial not in lost:  # the run knows the digests of those two itself
            told = "was sealed, and is missing or changed; restore it from a copy of the run"
            yield Change(printable(name), told)


def plan_changes(record: RunRecord, plan: Plan, *, edited: bool) -> Iterator[Change]:
    """The trials that the kept plan gives now; and where its file was edited, what else it says otherwise."""
    if planned(trials(plan)) != record.trials:
        told = f"gave {len(record.trials)} trials, gives {len(trials(plan))} now; begin a new run for those"
        if len(record.trials) == len(trials(plan)):
            told = f"gave {len(record.trials)} trials, gives others now; begin a new run for those"
        yield Change(PLAN, told, acceptable=False)
    elif edited:
        now = plan.model_dump(mode="json")
        for key in sorted(record.plan.keys() & now.keys()):
            if record.plan[key] != now[key]:
                rule = key not in _OF_TRIALS
                advice = "" if rule else "; its trials would be others under the same names: begin a new run for those"
                was, new = (_short(plan_as[key]) for plan_as in (record.plan, now))
                yield Change(f"{PLAN}: {key.replace('_', '-')}", f"was {was}, is {new}{advice}", acceptable=rule)


def lab_changes(kept: Lab, new: Lab) -> Iterator[Change]:
    """Each field in which another lab differs from the one that the run kept."""
    was, now = (dict(_fields((), lab.model_dump(mode="json", by_alias=True))) for lab in (kept, new))
    for path in sorted(was.keys() | now.keys()):
        before, after = was.get(path), now.get(path)
        if before != after:
            other = path[0] == "hosts" and path[-1] == "hypervisor" and before is not None and after is not None
            advice = "; what was kept of the guests is nothing to another driver" if other else ""
            told = f"was {_short(before)}, is {_short(after)}{advice}"
            yield Change(f"lab: {printable('.'.join(path))}", told, acceptable=not other)


def version_changes(kept: Kept, version: str) -> Iterator[Change]:
    """This program."""
    if kept.version not in {"", version}:
        yield Change("trialbed", f"was {shown(kept.version)}, is {shown(version)}")


def guest_changes(
    guests: Mapping[str, tuple[SavedGuest, Hypervisor]], left_behind: LeftBehind, knew: Kept
) -> tuple[list[Change], dict[str, SavedGuest]]:
    """Guests that their owners have changed while the run lay; what the run itself may have left is no change.

    Args:
        guests: each as the run kept it, and the driver bound to it.
        left_behind: what the driver leaves of a run that was killed.
        knew: which are not back by the journal, and how the run has defined them.

    Returns:
        The changes, and the guests that have changed as they are now.

    Raises:
        UnreachableError: a guest cannot be looked at.
    """
    changes: list[Change] = []
    newer: dict[str, SavedGuest] = {}
    for guest, (saved, hypervisor) in guests.items():
        if left_behind == "nothing" or (left_behind == "unmarked" and guest in knew.away):
            continue
        if (shape := describe_first(hypervisor, guest).shaped_as) is not None:
            changes += _edited(guest, shape, hypervisor, knew.defined.get(guest))
            continue
        now = save_first(hypervisor, guest)
        if guest in knew.away:  # then whether it is on was up to the run
            now = SavedGuest(now.files, saved.running)
        if lines := list(guest_differences(saved, now)):
            changes += [Change(f"guest {guest}", line) for line in lines]
            newer[guest] = now
    return changes, newer


def _edited(guest: str, shape: str, hypervisor: Hypervisor, defined: str | None) -> Iterator[Change]:
    """Whether somebody has edited a guest in the shape in which the run had left it."""
    try:
        now = hypervisor.save()
    except StageError:
        return  # one that cannot be kept now, such as a paused one: it cannot be told
    if defined is not None and definition_digest(now) != defined:
        yield Change(
            f"guest {guest}",
            f"was left in shape {shape}, and its definition has been edited since; whoever goes on, or puts it back, "
            "loses that edit: note it first, and make it again afterwards",
        )


def refuse(changes: Sequence[Change], run: str, *, accepted: bool) -> None:
    """Refuse to go on with what is not as it was, unless all of it was accepted and can be.

    Raises:
        InputError: with a line for each.
    """
    barred = [change for change in changes if not change.acceptable]
    if not changes or (accepted and not barred):
        return
    told = [Problem(f"run {run}", change.what, change.told) for change in (barred if accepted else changes)]
    advice = (
        "--accept-changes does not help here"
        if barred
        else "nothing was touched; to go on all the same, and have it noted with the run, add --accept-changes"
    )
    raise InputError([*told, Problem(f"run {run}", "", advice)])


@dataclass(frozen=True)
class Newer:
    """What a run goes on with where changes were accepted.

    Attributes:
        guests: those that were changed, as they are now: so they are put back, and each shape is made from that.
        inputs: as they are now, another lab excepted.
        lab: another lab; ``None`` where the run keeps its own.
        version: of this program.
    """

    guests: Mapping[str, SavedGuest]
    inputs: Mapping[str, bytes]
    lab: bytes | None
    version: str


def accept(writer: RunWriter, changes: Sequence[Change], newer: Newer, now_utc: str) -> None:
    """Note all changes, then keep what is now, with what was beside it; does nothing where there are none.

    Cut short in between, what was not kept yet is told again, and has to be accepted again.

    Raises:
        StoreError: the disk refuses.
    """
    if not changes:
        return
    reason, inputs = "it was replaced when the run was resumed, and the change was accepted", dict(newer.inputs)
    if newer.lab is not None:
        inputs[LAB] = newer.lab
    detail = {
        "changes": [change.sentence for change in changes],
        "inputs_sha256": {name: sha256(content) for name, content in inputs.items()},
        "version": newer.version,
    }
    writer.append(Event(time_utc=now_utc, event="changes-accepted", trial=None, detail=detail))
    for guest, saved in newer.guests.items():
        writer.replace_guest(guest, saved, reason)
    if newer.lab is not None:
        writer.replace_input(LAB, newer.lab, reason)


def _fields(path: tuple[str, ...], value: Any) -> Iterator[tuple[tuple[str, ...], object]]:
    if isinstance(value, Mapping) and value:
        for key, inner in value.items():
            yield from _fields((*path, str(key)), inner)
    elif value is not None:
        yield path, value


def _short(value: object) -> str:
    if value is None:
        return "nothing"
    text = printable(str(value).lower() if isinstance(value, bool) else str(value))
    return text if len(text) <= _MOST else f"{text[:_MOST]}..."
