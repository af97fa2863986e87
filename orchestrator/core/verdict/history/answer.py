"""What is said of a cell's history, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.history.course import FEWEST_RUNS, Course
from orchestrator.core.verdict.history.results import Point, SlowDrift, Step, Upgrade
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.words import capital, change, count, in_words, rate, span
from orchestrator.units import format_percent

_UPGRADES_NAMED = 3


def answer(
    found: Course, points: Sequence[Point], steps: Sequence[Step], drift: SlowDrift | None, per: str
) -> tuple[str, ...]:
    """The sentences: one where nothing changed, else one a step and one for the drift."""
    if found.kind == "too few":
        return (_too_few(points),)
    if found.kind == "level":
        return (_level(found, points, per),)
    told = [_step(step, points) for step in steps]
    if drift is None:
        return tuple(told)
    size = f"a little with each run, from the first of {count(len(points), 'run')} to the last {_size(drift)}"
    if found.kind == "steps or drift":
        either = "Something changed, and the runs do not tell yet whether in steps or slowly."
        return (either, *told, f"Or a slow drift: {size}.")
    beside = " beside the steps" if steps else ", which a straight line describes better than steps do"
    return (f"A slow drift{beside}: {size}.", *told)


def remarks(found: Course, points: Sequence[Point], margin: float | None) -> tuple[str, ...]:
    """What a reader has to know beside the answer."""
    return tuple(_remarks(found, points, margin))


def _remarks(found: Course, points: Sequence[Point], margin: float | None) -> Iterator[str]:
    if found.last_apart is not None:
        yield (
            f"The last run, {points[-1].short}, reads {change(found.last_apart, whole=False)} than the runs before it "
            "lead to expect, outside of where 95 % of single runs lie. One run is no step yet: repeat it."
        )
    if found.neighbours_alike is not None:
        yield (
            f"Runs near each other are alike beyond that (correlation {found.neighbours_alike:.1f}): something wanders "
            "from run to run, and steps are then named too easily."
        )
    if margin is not None and found.sd is not None and 2 * found.sd > margin:
        shows = f"step of the margin, {format_percent(margin)}, needs several runs on either side before it shows."
        scatter = f"Whole runs scatter by {format_percent(exp(found.sd) - 1)} (standard deviation) about the level: a"
        yield f"A {shows}" if found.kind == "level" else f"{scatter} {shows}"
    if others := [point for point in points if point.state != "done"]:
        what = f"{capital(count(len(others), 'run'))} {'is' if len(others) == 1 else 'are'}"
        yield f"{what} not finished, and counted by the trials that there are."


def _too_few(points: Sequence[Point]) -> str:
    runs = len(points)
    if runs == 1:
        return f"One run: {in_words(FEWEST_RUNS)} are needed to tell a change from what varies from run to run."
    apart = max(point.per_s for point in points) / min(point.per_s for point in points)
    return (
        f"{capital(count(runs, 'run'))}, whose figures lie {format_percent(apart - 1)} apart: "
        f"{in_words(FEWEST_RUNS)} are needed to tell a change from what varies from run to run. "
        "To set one against another: trialbed compare."
    )


def _level(found: Course, points: Sequence[Point], per: str) -> str:
    scatter = "" if not found.sd else f", about which whole runs scatter by {format_percent(exp(found.sd) - 1)}"
    about = rate(points[-1].level_per_s, per)
    return f"Level: neither a step nor a drift shows in {count(len(points), 'run')}; {about}{scatter}."


def _size(found: Step | SlowDrift) -> str:
    """``4 % less (-5 % to -3 %, beyond the margin)``."""
    weighed = {True: ", beyond the margin", False: ", within the margin", None: ""}[found.matters]
    return f"{change(found.ratio, whole=False)} ({span(found.low, found.high)}{weighed})"


def _step(step: Step, points: Sequence[Point]) -> str:
    by_id = {point.run: point for point in points}
    first = by_id[step.run]
    where = f"from run {first.short} on"
    if step.earliest != step.latest:
        early, late = by_id[step.earliest], by_id[step.latest]
        where += f", at the earliest from {early.short}, at the latest from {late.short}"
    return f"A step: {_size(step)}, {where}. {_beside(step.beside)}"


def _beside(upgrades: Sequence[Upgrade]) -> str:
    """What changed where a step may lie: that is no proof, and the sentence does not claim it."""
    if not upgrades:
        return "Nothing that is known of the surroundings changed there."
    named = [upgrade.sentence for upgrade in upgrades[:_UPGRADES_NAMED]]
    more = len(upgrades) - len(named)
    named += [f"{more} more"] if more else []
    return f"Changed there: {'; '.join(named)}."
