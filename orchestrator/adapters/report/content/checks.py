"""The checks of all trials together: how often each was good, and what has to be looked at, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.adapters.report.content.standing import flags, trial_mark, trial_name, why
from orchestrator.adapters.report.document.numbers import figures, text, whole
from orchestrator.adapters.report.document.parts import Block, Cell, Checks, Mark, Paragraph, Section, Sentences, Table
from orchestrator.core.measure.results import Check
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import count, listed

_STATES = ("ok", "flag", "unavailable")
#: Wordings of one flag that are told one by one; each stands with its trial as well.
_WORDINGS = 4


def checks_section(run: StoredRun) -> Iterator[Section]:
    """Nothing where nothing was checked, failed or put apart."""
    blocks = [*_counted(run.trials), *_flagged(run), *_without_result(run), *_put_apart(run)]
    if not blocks:
        return
    flagged = sum(bool(flags(trial)) for trial in run.trials)
    lost = sum(trial.outcome != "measured" for trial in run.trials)
    checked = any(trial_mark(trial) == "good" for trial in run.trials)
    mark: Mark = "doubt" if flagged or lost else "good" if checked else "open"
    told = [
        *([f"{count(flagged, 'trial')} flagged"] if flagged else []),
        *([f"{count(lost, 'trial')} without a result"] if lost else []),
    ]
    summary = ", ".join(told) or ("no flag" if checked else "nothing could be checked")
    yield Section("checks", "Checks and flags", tuple(blocks), mark=mark, summary=summary)


def _counted(trials: Sequence[TrialRecord]) -> Iterator[Block]:
    """Of each check, how many trials it was good for."""
    made = [check for trial in trials if trial.summary is not None for check in trial.summary.checks]
    names = list(dict.fromkeys(check.title for check in made))
    if not names:
        return
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (name, *[whole(sum(check.title == name and check.state == state for check in made)) for state in _STATES])
        for name in names
    )
    marked = frozenset(at for at, name in enumerate(names) if _is_flagged(name, made))
    columns = (text("check"), *[figures(state, "trials") for state in _STATES])
    yield Table("Checks over all trials", columns, rows, marked)


def _is_flagged(name: str, made: Sequence[Check]) -> bool:
    return any(check.title == name and check.state == "flag" for check in made)


def _flagged(run: StoredRun) -> Iterator[Block]:
    """What is flagged, in words, with the trials of which it is said."""
    told: dict[str, dict[str, list[int]]] = {}
    for trial in run.trials:
        for check in flags(trial):
            told.setdefault(check.title, {}).setdefault(check.detail, []).append(trial.number)
    items: list[tuple[str, Mark, str]] = []
    for name, details in told.items():
        shown = list(details.items())[:_WORDINGS] if len(details) > _WORDINGS + 1 else list(details.items())
        items += [(name, "doubt", f"{_numbers(numbers)}: {detail}") for detail, numbers in shown]
        if rest := [number for _, numbers in list(details.items())[len(shown) :] for number in numbers]:
            items.append((name, "doubt", f"{_numbers(sorted(rest))}: likewise, with other figures"))
    if items:
        yield Checks(tuple(items))


def _numbers(numbers: Sequence[int]) -> str:
    """``trials 1, 2 and 7``."""
    return f"trial{'' if len(numbers) == 1 else 's'} {listed([str(number) for number in numbers])}"


def _without_result(run: StoredRun) -> Iterator[Block]:
    """Why trials failed, or never became steady."""
    items = tuple(
        (trial_name(run, trial), trial_mark(trial), why(trial)) for trial in run.trials if trial.outcome != "measured"
    )
    if items:
        yield Paragraph("What has no result:")
        yield Checks(items)


def _put_apart(run: StoredRun) -> Iterator[Block]:
    if run.discarded:
        yield Paragraph("Put apart, since it does not count:")
        yield Sentences(tuple(f"{found.folder or found.trial}: {found.reason}" for found in run.discarded))
