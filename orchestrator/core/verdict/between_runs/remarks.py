"""What a reader of a comparison has to know beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.between_runs.estimates import throughputs
from orchestrator.core.verdict.between_runs.matching import Match
from orchestrator.core.verdict.between_runs.results import Change
from orchestrator.core.verdict.between_runs.side import Side
from orchestrator.core.verdict.inference.components import Component, one_way
from orchestrator.core.verdict.words import capital, count, in_words, listed, so_many_of
from orchestrator.units import format_percent

#: With fewer base runs an interval is so wide that it decides little: Student's t at 95 % is 12.7 with two runs, 4.3
#: with three, 3.2 with four.
_FEW_RUNS = 4
#: From this share of a run mean's variance on, what differs from run to run is what costs (common practice, no
#: published source).
_MOSTLY = 0.5


def comparison_remarks(
    bases: Sequence[Side], new: Side, matches: Sequence[Match], changes: Sequence[Change]
) -> tuple[str, ...]:
    """The remarks, the weightiest first."""
    by_runs = _of_runs(bases, matches) if len(bases) > 1 else _of_one_run(changes)
    return (
        *_unfinished(bases, new),
        *_not_counted(bases, new),
        *_repeated(bases, new, matches),
        *(by_runs if changes else ()),
        *_read_once(changes, by_runs=len(bases) > 1),
        *_names_only(changes),
        *(_own_remarks((*bases, new)) if changes else ()),
    )


def _unfinished(bases: Sequence[Side], new: Side) -> Iterator[str]:
    for side, what in (*((base, "base") for base in bases), (new, "new")):
        if not side.run.complete:
            standing = f"is not finished ({side.run.standing}); it is compared as far as it is"
            yield f"The {what} run {side.record.id} {standing}."


def _not_counted(bases: Sequence[Side], new: Side) -> Iterator[str]:
    ends = {"failed": "failed", "unsteady": "never became steady"}
    for side, what in (*((base, "base") for base in bases), (new, "new")):
        found = [(sum(trial.outcome == outcome for trial in side.run.trials), words) for outcome, words in ends.items()]
        if told := [f"{in_words(number)} {words}" for number, words in found if number]:
            of_all = f"Of {count(len(side.run.trials), 'trial')} of the {what} run {side.record.id} {listed(told)}"
            these = "it does" if sum(number for number, _ in found) == 1 else "they do"
            yield f"{of_all}; {these} not count, and 'trialbed show RUN' says why."


def _of_one_run(changes: Sequence[Change]) -> Iterator[str]:
    if any(each.low is not None for each in changes):
        yield (
            "One run a side: the intervals hold what varies from trial to trial and from block to block, and not what "
            "varies from run to run (another day, a restarted host, another placement of the guest). A baseline of "
            "several runs has that in them: trialbed baseline set NAME RUN RUN..."
        )


def _of_runs(bases: Sequence[Side], matches: Sequence[Match]) -> Iterator[str]:
    runs = len(bases)
    yield (
        f"The base is {count(runs, 'run')}, and whole runs are its readings: the intervals hold what varies from run "
        "to run as well."
    )
    if runs < _FEW_RUNS:
        yield (
            f"{capital(in_words(runs))} base runs tell little of how runs differ, so the intervals are wide; "
            f"{in_words(_FEW_RUNS)} or more decide sooner."
        )
    share = _share_between(bases, matches)
    if share == 0:
        yield (
            "The base runs differ no more than their own trials explain: the variance between runs comes out at 0. "
            "With so few runs that does not say that there is none."
        )
    elif share is not None and share >= _MOSTLY:
        yield (
            f"What differs from run to run is {format_percent(share, 0)} of the variance of a run's mean: further base "
            "runs help, further blocks hardly."
        )


def _share_between(bases: Sequence[Side], matches: Sequence[Match]) -> float | None:
    """Share of the variance of a run's mean that lies between runs, over all cells; ``None`` where not known."""
    between, whole, known = 0.0, 0.0, False
    for each in matches:
        groups = [list(throughputs(bases[number].cells[cell.key]).values()) for number, cell in each.base]
        if len(groups) < 2 or all(len(group) < 2 for group in groups):
            continue
        of_trials, of_runs = one_way(groups)
        known, between = True, between + of_runs.estimate
        whole += of_runs.estimate + of_trials.variance * sum(1 / len(group) for group in groups) / len(groups)
    if not known:
        return None
    return Component(between).variance / whole if whole > 0 else 0.0


def _read_once(changes: Sequence[Change], *, by_runs: bool) -> Iterator[str]:
    if single := [each for each in changes if each.low is None]:
        cells, verb = so_many_of(len(single), len(changes), "cell"), "was" if len(single) == 1 else "were"
        once = "measured in only one of the base runs" if by_runs else "read only once on a side"
        yield f"{capital(cells)} {verb} {once}: one reading carries no uncertainty, so it decides nothing."


def _names_only(changes: Sequence[Change]) -> Iterator[str]:
    if by_name := [each for each in changes if each.matched_by == "name"]:
        cells, verb = so_many_of(len(by_name), len(changes), "cell"), "is" if len(by_name) == 1 else "are"
        yield (
            f"{capital(cells)} {verb} matched by the load's name, vCPUs and threads, as a side knows no more: whether "
            "the loads are the same is not known."
        )


def _own_remarks(sides: Sequence[Side]) -> Iterator[str]:
    told = [side for side in sides if side.evidence.remarks]
    if told:
        runs = so_many_of(len(told), len(sides), "run")
        has = "has" if len(told) == 1 else "have"
        yield f"{capital(runs)} {has} remarks on single trials too; read them with 'trialbed show RUN'."


def _repeated(bases: Sequence[Side], new: Side, matches: Sequence[Match]) -> Iterator[str]:
    """Real machines do not repeat a reading to its last digit."""
    for number, base in enumerate(bases):
        cells = [(each.new.key, cell.key) for each in matches for n, cell in each.base if n == number]
        if cells and all(new.cells[mine].logs == base.cells[theirs].logs for mine, theirs in cells):
            yield (
                f"Runs {base.record.id} and {new.record.id} read the same to the last digit in every trial: one is a "
                "copy of the other, or both are of a model that repeats itself. It says nothing of machines."
            )
            return
