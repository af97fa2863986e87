"""The answer of a run: what can be said, how sure that is, and what must not be overlooked beside it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.document.parts import Mark
from orchestrator.adapters.report.runs_text import minute, tally_text
from orchestrator.core.record.journal import OPEN
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.run_line import tally
from orchestrator.core.verdict.recommendation import Recommendation
from orchestrator.core.verdict.verdict import Verdict
from orchestrator.core.verdict.words import capital, count, so_many_of, some_of
from orchestrator.units import format_percent

_VIRTUAL_MACHINE, _SIMULATED = "virtual machine", "simulated guest"
#: A confidence below this says nothing that the figures do not.
_LEAST_CERTAIN = 0.5
_NAMED = 6


def about(run: StoredRun) -> str:
    """Which run it is, in a line."""
    record = run.record
    began = (
        f"dated {minute(record.started_utc)}" if record.origin == "imported" else f"began {minute(record.started_utc)}"
    )
    repeats = f", repeats {record.repeats.run}" if record.repeats is not None else ""
    return f"Run {record.id}{repeats}, guest {record.guest} ({record.guest_kind}), {began} UTC, {run.state}"


def answer(source: RunSource) -> str:
    """The verdict's answer; of a run that is not complete, that it is so far."""
    run = source.run
    if not run.trials and not run.complete:
        return "No trial has ended yet, so nothing can be said."
    if run.complete:
        return source.verdict.answer
    far = tally(run)
    return f"So far, after {so_many_of(far.ended, far.planned, 'trial')}: {source.verdict.answer}"


def certainty(source: RunSource) -> str:
    """How sure the answer is, beyond what it says itself; empty where there is no more to be said."""
    verdict, look = source.verdict, source.run.look
    if look is not None:
        return capital(look.told)
    if verdict.templates:
        told = format_percent(verdict.confidence)
        return f"What is said of templates holds at {told} confidence, for all of them together."
    known = [found for found in verdict.recommendations if found.certainty is not None]
    if not known:
        return ""
    least = min(known, key=lambda found: found.certainty or 0.0)
    return _alone(least, verdict, several=len(verdict.recommendations) > 1)


def _alone(found: Recommendation, verdict: Verdict, *, several: bool) -> str:
    """At which confidence a recommended shape could be named alone, of several recommendations of the least certain."""
    loads = len({one.workload for one in verdict.recommendations})
    of = f" of {found.workload}" if loads > 1 else ""
    which = f" for {count(found.threads, 'thread')}{of}, the least certain," if several else ""
    sure = math.floor((found.certainty or 0.0) * 1000 + 1e-9) / 1000
    at = format_percent(sure)
    if not _LEAST_CERTAIN <= sure < 1:
        at = "less than 50 %" if sure < 1 else "more than 99.9 %"
    only = " only" if found.basis == "figures" else ""
    return f"Shape {found.shape}{which} can be named alone at {at} confidence{only}."


def mark(source: RunSource) -> Mark:
    """How the answer stands."""
    run, verdict = source.run, source.verdict
    if not run.complete:
        return "open"
    if verdict.templates and verdict.cells:
        return _of_all(["bad" if one.broken else "doubt" if one.open else "good" for one in verdict.templates])
    if not verdict.recommendations:
        return "bad"
    return "good" if all(found.basis == "shown" for found in verdict.recommendations) else "doubt"


def _of_all(marks: Sequence[Mark]) -> Mark:
    return "bad" if "bad" in marks else "doubt" if "doubt" in marks else "good"


def warnings(source: RunSource) -> tuple[str, ...]:
    """What must not be overlooked, the worst first."""
    run = source.run
    return (*_not_back(run), *_unfinished(run), *_damaged(source), *what_it_was(run), *_accepted(run))


def _not_back(run: StoredRun) -> Iterator[str]:
    for left in run.not_back:
        then = f" Once that is mended: trialbed restore {run.record.id}" if left.by_hand else ""
        yield f"NOT PUT BACK: guest {left.guest}: {left.reason.removesuffix('.')}.{then}"


def _unfinished(run: StoredRun) -> Iterator[str]:
    if run.complete:
        return
    far, run_id = f"Trials that have ended: {tally_text(tally(run))}.", run.record.id
    if run.state == "running":
        yield f"The run goes on. {far} See how far it is with: trialbed status {run_id}"
    elif run.state == OPEN:
        yield f"The run has not ended, or was cut short. {far}"
    elif run.state != "done":
        why = f": {run.why}" if run.why else ""
        known = run.state == "crashed" and run.heard_utc
        heard = f"; last sign of life {run.heard_utc[:19].replace('T', ' ')} UTC" if known else ""
        yield f"The run is not complete ({run.state}{why}{heard}). {far} Go on with: trialbed resume {run_id}"
    if run.state == "crashed":
        yield f"Guests may not be as they were before it. To put them back only: trialbed restore {run_id}"
    if run.lost:
        they = "it" if len(run.lost) == 1 else "they"
        yield f"Run and lost, since {they} cannot be read: {some_of(run.lost, named=_NAMED)}. Run again by resume."


def _damaged(source: RunSource) -> Iterator[str]:
    yield from (f"Damaged: {problem}" for problem in source.problems)


def what_it_was(run: StoredRun) -> Iterator[str]:
    """What kind of guest the figures are of, where it is no virtual machine that was measured here."""
    record = run.record
    if record.origin == "imported":
        yield "The readings were imported, not measured here."
    elif record.guest_kind == _SIMULATED:
        yield f"Guest {record.guest} is simulated: its figures come from a model, not from a machine."
    elif record.guest_kind != _VIRTUAL_MACHINE:
        yield f"Guest {record.guest}: {record.guest_kind}."


def _accepted(run: StoredRun) -> Iterator[str]:
    yield from (f"Changed while the run lay, and accepted: {text}" for text in run.accepted)
