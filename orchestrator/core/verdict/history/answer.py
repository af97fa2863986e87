"""What is said of a cell's history, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from orchestrator.core.verdict.history.course import FEWEST_RUNS, Course
from orchestrator.core.verdict.history.results import Point, SlowDrift, Step, Upgrade
from orchestrator.core.verdict.inference.uncertainty import exp
from orchestrator.core.verdict.words import capital, change, count, in_words, listed, rate, span
from orchestrator.units import format_percent

_UPGRADES_NAMED = 3
#: Characters of a time to the minute and to the second, as in RFC 3339.
_MINUTE, _SECOND = len("2026-08-01T10:11"), len("2026-08-01T10:11:12")
#: What a step comes to beside the margin.
_WEIGHED = {True: ", beyond the margin", False: ", within the margin", None: ""}


def answer(
    found: Course, points: Sequence[Point], steps: Sequence[Step], drift: SlowDrift | None, per: str
) -> tuple[str, ...]:
    """The sentences: what came of it in short, then what there is to know of each step and of the drift."""
    if found.kind == "too few":
        return (_too_few(points),)
    if found.kind == "level":
        return (_level(found, points, per),)
    told = [_step(step, points) for step in steps]
    if drift is None:
        return (_in_short(steps, points), *told)
    size = f"a little with each run, from the first of {count(len(points), 'run')} to the last {_size(drift)}"
    if found.kind == "steps or drift":
        either = "Something changed, and the runs do not tell yet whether in steps or slowly."
        return (either, _in_short(steps, points), *told, f"Or a slow drift: {size}.")
    beside = " beside the steps" if steps else ", which a straight line describes better than steps do"
    return (f"A slow drift{beside}: {size}.", *([_in_short(steps, points)] if steps else []), *told)


def remarks(found: Course, points: Sequence[Point], margin: float | None) -> tuple[str, ...]:
    """What a reader has to know beside the answer."""
    return tuple(_remarks(found, points, margin))


def _remarks(found: Course, points: Sequence[Point], margin: float | None) -> Iterator[str]:
    if found.last_apart is not None:
        yield (
            f"The last run, of {_moments(points)[points[-1].run]} UTC, reads {change(found.last_apart, whole=False)} "
            "than the runs before it lead to expect, outside of where 95 % of single runs lie. One run is no step yet: "
            "repeat it."
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


def _in_short(steps: Sequence[Step], points: Sequence[Point]) -> str:
    """The steps in a sentence: ``A step: 5.9 % less from the run of 2026-08-06 22:00 UTC on``."""
    when = _moments(points)
    told = listed([f"{change(step.ratio, whole=False)} from the run of {when[step.run]} UTC on" for step in steps])
    return f"{'A step' if len(steps) == 1 else capital(count(len(steps), 'step'))}: {told}."


def _moments(points: Sequence[Point]) -> dict[str, str]:
    """When each run began in UTC, by its id: to the minute, and to the second where two began in one minute."""
    stamps = [point.started_utc.replace("T", " ") for point in points]
    digits = _MINUTE if len({stamp[:_MINUTE] for stamp in stamps}) == len(stamps) else _SECOND
    return {point.run: stamp[:digits] for point, stamp in zip(points, stamps, strict=True)}


def _size(found: Step | SlowDrift) -> str:
    """``4.0 % less (-5.0 % to -3.0 %, beyond the margin)``."""
    return f"{change(found.ratio, whole=False)} ({_interval(found)})"


def _interval(found: Step | SlowDrift) -> str:
    """``-5.0 % to -3.0 %, beyond the margin``."""
    return f"{span(found.low, found.high)}{_WEIGHED[found.matters]}"


def _step(step: Step, points: Sequence[Point]) -> str:
    """What else is known of a step."""
    when = _moments(points)
    where = ""
    if step.earliest != step.latest:
        where = f" It may begin with any run from {when[step.earliest]} to {when[step.latest]}."
    return f"The step of {when[step.run]} has the interval {_interval(step)}.{where} {_beside(step.beside)}"


def _beside(upgrades: Sequence[Upgrade]) -> str:
    """What changed where a step may lie: that is no proof, and the sentence does not claim it."""
    if not upgrades:
        return "Nothing that is known of the surroundings changed there."
    named = [f"the {one.where}'s {one.sentence.removeprefix(f'{one.where}: ')}" for one in upgrades[:_UPGRADES_NAMED]]
    more = len(upgrades) - len(named)
    named += [f"{in_words(more)} more"] if more else []
    return f"Changed there: {'; '.join(named)}."
