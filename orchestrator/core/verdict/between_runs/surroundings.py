"""What is not the same around two runs: their machines, the guest as it is defined, and how it was measured.

A slower run on another kernel is no finding about the guest's size. So all that is known of the surroundings is set
against each other, and what differs is told in the order of how likely it is to matter. Texts are the machines' own and
have to be escaped wherever they are shown.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from orchestrator.core.record.facts import FACTS, WEIGHTS, Fact, Section, Weight, only_in
from orchestrator.core.record.run import Environment, StoredRun
from orchestrator.core.verdict.between_runs.method import loads_of, method
from orchestrator.core.verdict.between_runs.results import Difference
from orchestrator.core.verdict.words import shortened

_WHERE: tuple[Section, ...] = ("host", "hypervisor", "guest")
#: A sentence shows so much of a value; the whole of it stands in the difference.
_SHOWN = 160
#: So many facts that only one side tells are told with their values.
_MOST_ONE_BY_ONE = 2
#: Where one side does not tell a fact, that it differs is a guess.
_ONE_SIDED: dict[Weight, Weight] = {"likely": "possible", "possible": "unlikely", "unlikely": "unlikely"}

_Facts = Mapping[str, str | None]


@dataclass(frozen=True)
class Known:
    """A run and the fingerprint of its machines; ``None`` where it kept none, or none that can be read."""

    run: StoredRun
    environment: Environment | None = None


def surroundings(base: Sequence[Known], new: Known) -> tuple[Difference, ...]:
    """What is not the same in the new run as in the base, the likeliest to matter first.

    Args:
        base: the run that is compared with, or several; what differs between those is told as well.
        new: the run that is compared.
    """
    found: list[Difference] = []
    if not_kept := _not_kept(base, new):
        found.append(not_kept)
    else:
        for section in _WHERE:
            found += _of_section(section, base, new)
    found += _of_method(base, new)
    return by_weight(_told_once(found))


def by_weight(found: Sequence[Difference]) -> tuple[Difference, ...]:
    """The likeliest to matter first; those of one weight stay in their order."""
    return tuple(sorted(found, key=lambda one: WEIGHTS.index(one.weight)))


def facts_differ(section: Section, base: Sequence[_Facts], new: _Facts) -> tuple[Difference, ...]:
    """Facts of one section that are not the same everywhere, in the order of the facts.

    A guest's size is left out, since it is its shape's; so is what is never the same twice. Facts that one side does
    not tell are named together where they are many; so are those that one side was never asked for, since it was
    measured by an older version.
    """
    found: list[Difference] = []
    never_asked: list[str] = []
    for key, fact in FACTS[section].items():
        if fact.changes == "always" or (fact.sized and section == "guest"):
            continue
        asked = [key in facts for facts in (*base, new)]
        if not all(asked):
            if any(facts.get(key) is not None for facts in (*base, new)):
                never_asked.append(fact.name)
            continue
        difference = _difference(section, key, fact, [facts[key] for facts in base], new[key])
        if difference is not None:
            found.append(difference)
    found = _one_sided_together(section, found)
    if never_asked:
        sentence = f"not asked in every run, since the versions differ: {', '.join(never_asked)}"
        found.append(_unseen(section, "not asked", (False, False), sentence, "unlikely"))
    return tuple(found)


def _of_section(section: Section, base: Sequence[Known], new: Known) -> Sequence[Difference]:
    before, after = [_facts(known, section) for known in base], _facts(new, section)
    unknown_before, unknown_after = [not _is_told(facts) for facts in before], not _is_told(after)
    if all(unknown_before) or unknown_after:
        return _unknown(section, base, new, any(map(_is_told, before)), not unknown_after)
    return facts_differ(section, [facts for facts in before if _is_told(facts)], after)


def _facts(known: Known, section: Section) -> _Facts:
    facts: _Facts = getattr(known.environment, section, {})
    return facts


def _is_told(facts: _Facts) -> bool:
    return any(value is not None for value in facts.values())


def _not_kept(base: Sequence[Known], new: Known) -> Difference | None:
    """The difference that stands for all, where a side has no fingerprint at all."""
    lacking = [known.run.record.id for known in (*base, new) if known.environment is None]
    if new.environment is not None and len(lacking) < len(base):
        return None
    told = (all(known.environment is not None for known in base), new.environment is not None)
    runs = " and ".join(dict.fromkeys(lacking))
    sentence = f"no fingerprint was kept by {runs}, so a change of host or guest cannot be seen"
    return _unseen("host", "all", told, sentence)


def _unknown(
    section: Section, base: Sequence[Known], new: Known, base_told: bool, new_told: bool
) -> Sequence[Difference]:
    """One difference for a section that a side knows nothing of; none where nobody ever asked for it."""
    missing = [*([] if base_told else base), *([] if new_told else [new])]
    why = _why(missing[-1], section)
    if not why and not base_told and not new_told:
        return []
    who = {(False, False): "either side", (True, False): "the new side", (False, True): "the base's side"}[
        base_told, new_told
    ]
    sentence = f"nothing is known of it on {who} ({why or 'it was not asked'}), so a change of it cannot be seen"
    return [_unseen(section, "all", (base_told, new_told), sentence)]


def _why(known: Known, section: Section) -> str:
    """The reason that most facts of a section have for not being there; empty where none was kept."""
    reasons = Counter(known.environment.unavailable.get(section, {}).values() if known.environment else ())
    return _shown(reasons.most_common(1)[0][0]) if reasons else ""


def _difference(
    section: Section, key: str, fact: Fact, base: Sequence[str | None], new: str | None
) -> Difference | None:
    """``None`` where there is none."""
    if all(value == new for value in base):
        return None
    one_sided = new is None or all(value is None for value in base)
    return Difference(
        where=section,
        fact=key,
        meaning=fact.meaning,
        base=_of_all(base),
        new=new,
        weight=_ONE_SIDED[fact.weight] if one_sided else fact.weight,
        sentence=f"{section}: {fact.name} {_change(base, new, fact.between)}",
    )


def _one_sided_together(section: Section, found: Sequence[Difference]) -> list[Difference]:
    """The same, but for facts that only one side tells: where they are many, one difference for all of them."""
    kept = list(found)
    for side, other in (("base", "new"), ("new", "base")):
        alone = [one for one in found if getattr(one, other) is None and getattr(one, side) is not None]
        if len(alone) <= _MOST_ONE_BY_ONE:
            continue
        kept = [one for one in kept if one not in alone]
        names = ", ".join(FACTS[section][one.fact].name for one in alone)
        who = "the base" if side == "base" else "the new run"
        sentence = f"told in {who} only, so a change of it cannot be seen: {names}"
        kept.append(_unseen(section, f"told in {who} only", (side == "base", side == "new"), sentence))
    return kept


def _unseen(
    section: Section, fact: str, told: tuple[bool, bool], sentence: str, weight: Weight = "possible"
) -> Difference:
    """Of what cannot be told apart, since not both (base, new) tell it; ``fact`` is no key of a fact then."""
    base, new = ("told" if is_told else None for is_told in told)
    return Difference(
        where=section,
        fact=fact,
        meaning="facts that one side does not tell",
        base=base,
        new=new,
        weight=weight,
        sentence=f"{section}: {sentence}",
    )


# ------------------------------------------------------------------------------------------------------------ method


def _of_method(base: Sequence[Known], new: Known) -> list[Difference]:
    loads = set.intersection(*(loads_of(known.run.record) for known in (*base, new)))
    before, after = [method(known.run, loads) for known in base], method(new.run, loads)
    found = []
    for key, fact in after.items():
        if not all(key in facts for facts in before):
            continue  # readings taken by hand on one side, a library that was not used then, a rule that there was not
        values = [facts[key].value for facts in before]
        if any(value != fact.value for value in values):
            found.append(
                Difference(
                    where="method",
                    fact=key,
                    meaning=fact.name,
                    base=_of_all(values),
                    new=fact.value,
                    weight=fact.weight,
                    sentence=f"method: {fact.name} {_change(values, fact.value, fact.between)}",
                )
            )
    return found


# ------------------------------------------------------------------------------------------------------------- words


def _of_all(values: Sequence[str | None]) -> str | None:
    """One text for the base: its value, or each with the number of its runs."""
    counts = Counter(values)
    if len(counts) == 1:
        return values[0]
    return "; ".join(f"{value or 'not told'} ({number} of {len(values)} runs)" for value, number in counts.items())


def _change(base: Sequence[str | None], new: str | None, between: str) -> str:
    if len(set(base)) > 1:
        return f"is not the same in all runs of the base: {_shown(_of_all(base))}; {_shown(new)} in the new run"
    old = base[0]
    apart = "; " if any(", " in (value or "") for value in (old, new)) else ", "
    if between and old is not None and new is not None:
        gone, come = only_in(old, new, between), only_in(new, old, between)
        if not gone and come:
            return f"{_shown(come)} in the new run only"
        if gone and not come:
            return f"{_shown(gone)} in the base only"
        old, new = gone or old, come or new
    return f"{_shown(old)} in the base{apart}{_shown(new)} in the new run"


def _shown(value: str | None) -> str:
    return "not told" if value is None else shortened(value, _SHOWN)


def _told_once(found: Sequence[Difference]) -> list[Difference]:
    """A process guest has its host's kernel: what changed there is told of the host alone."""
    of_host = {(one.fact, one.base, one.new) for one in found if one.where == "host" and one.base != one.new}
    return [one for one in found if one.where != "guest" or (one.fact, one.base, one.new) not in of_host]
