"""What changed around a guest from run to run: upgrades, settings, another machine, another way of measuring."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TypeAlias

from orchestrator.core.record.facts import FACTS, WEIGHTS, Section, Weight, lasting, only_in
from orchestrator.core.record.run_line import RunLine
from orchestrator.core.verdict.history.results import Upgrade
from orchestrator.core.verdict.words import shortened

_SECTIONS: tuple[Section, ...] = ("host", "hypervisor", "guest")
#: A sentence shows so much of a value.
_SHOWN = 60
#: Versions that decide what is measured; the libraries beside it only keep and compute.
_OWN = "trialbed"


#: What is known of the surroundings of a run: where and which fact, to its value.
Facts: TypeAlias = Mapping[tuple[str, str], str]


def upgrades(runs: Sequence[Facts]) -> tuple[tuple[Upgrade, ...], ...]:
    """For each run what it found other than the last run before it that knew; the likeliest to matter first.

    Facts that change by themselves are left out, and so is a fact that one of the runs does not know: that it was not
    told is no change of it. A process guest has its host's kernel: what changed there is told of the host alone.
    """
    known: dict[tuple[str, str], str] = {}
    found: list[tuple[Upgrade, ...]] = []
    for facts in runs:
        changed = [
            _upgrade(where, fact, known[where, fact], value)
            for (where, fact), value in facts.items()
            if known.get((where, fact), value) != value
        ]
        on_host = {(one.fact, one.before, one.after) for one in changed if one.where == "host"}
        once = [one for one in changed if one.where != "guest" or (one.fact, one.before, one.after) not in on_host]
        found.append(tuple(sorted(once, key=lambda one: WEIGHTS.index(one.weight))))
        known |= facts
    return tuple(found)


def facts_of(run: RunLine) -> Facts:
    """What is known of the surroundings of a run, less what changes by itself."""
    return dict(_facts(run))


def _facts(run: RunLine) -> Iterator[tuple[tuple[str, str], str]]:
    if run.environment is not None:
        for section in _SECTIONS:
            for fact, value in lasting(section, getattr(run.environment, section)).items():
                yield (section, fact), value
    for meaning, value in run.method.items():
        yield ("method", meaning), value
    if _OWN in run.versions:
        yield ("method", f"version of {_OWN}"), run.versions[_OWN]


def _upgrade(where: str, fact: str, before: str, after: str) -> Upgrade:
    if where == "method":
        is_version = fact.startswith("version of ")
        words = f"{_shown(before)} -> {_shown(after)}" if is_version else "changed"
        return _made(where, fact, (before, after), "possible", f"{fact} {words}")
    told = next(facts[fact] for section, facts in FACTS.items() if section == where)
    return _made(where, fact, (before, after), told.weight, f"{told.name} {_change(before, after, told.between)}")


def _made(where: str, fact: str, values: tuple[str, str], weight: Weight, words: str) -> Upgrade:
    return Upgrade.model_validate(
        {"where": where, "fact": fact, "before": values[0], "after": values[1], "weight": weight}
        | {"sentence": f"{where}: {words}"}
    )


def _change(before: str, after: str, between: str) -> str:
    """``6.1.0-18 -> 6.1.0-21``; of a list what came and went."""
    if between:
        gone, come = only_in(before, after, between), only_in(after, before, between)
        if gone and come:
            before, after = gone, come
        elif come:
            return f"+ {_shown(come)}"
        elif gone:
            return f"without {_shown(gone)}"
    return f"{_shown(before)} -> {_shown(after)}"


def _shown(value: str) -> str:
    return shortened(value, _SHOWN)
