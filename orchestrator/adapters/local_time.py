"""Times as people write and read them: local time, by the rules that this machine keeps for its time zone (``TZ``).

A local time is not always one moment. Where the clocks go back, some times come twice: the first that is still to come
is meant (as RFC 5545, 3.3.5 has it). Where they go forward, some do not come at all: the moment at which the clocks
jump over them is meant, since from then on they show a later time. Either is said, and an offset (``+01:00``, ``Z``)
leaves no doubt.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from orchestrator.core.design.start import TIME_OF_DAY, Start
from orchestrator.core.design.time_limit import TimeGiven, TimeLimit
from orchestrator.errors import InputError, Problem
from orchestrator.units import Seconds, parse_duration

_DATED = re.compile(
    r"(?P<day>\d{4}-\d\d-\d\d)[T ](?P<time>\d\d:\d\d(?::\d\d)?)\s?(?P<offset>Z|[+-]\d\d:?\d\d)?", re.ASCII
)
_DAY = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_WANTED = "write a time of day such as 06:30, or a date with it such as 2026-11-29T06:30"
#: No two moments with the same local time are further apart, and no jump is longer, than the day that a place loses or
#: gains when it changes the side of the date line (IANA's time zone database). Looked at each quarter of an hour.
_AROUND_S, _GRAIN_S = 50 * 3600, 900
#: So far ahead a time of day is looked for: days are missing one at a time.
_DAYS_AHEAD = 3
_YEAR_S = 366 * 86400
#: Written for ``--at`` where a plan would wait.
NOW = "now"


@dataclass(frozen=True)
class Moment:
    """A moment that somebody named.

    Attributes:
        at_s: seconds since 1970.
        notes: what has to be said of it, in sentences: that it comes twice, or not at all.
    """

    at_s: Seconds
    notes: tuple[str, ...] = ()

    @property
    def shown(self) -> str:
        """In local time."""
        return local_text(self.at_s)


@dataclass(frozen=True)
class Asked:
    """The times of a run as they were asked for; ``None`` where nothing was."""

    until: str | None = None
    lasting: str | None = None
    at: str | None = None


NOTHING_ASKED = Asked()


@dataclass(frozen=True)
class Sitting:
    """When a run begins, and when it is to be over.

    Attributes:
        begins: what is waited for; ``None``: it begins now.
        ends: the end by the clock; ``None`` where there is none.
        limit: what the engine keeps to.
    """

    begins: Moment | None
    ends: Moment | None
    limit: TimeLimit

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be said of the times."""
        return tuple(note for moment in (self.begins, self.ends) if moment is not None for note in moment.notes)

    def seconds(self, now_s: Seconds) -> Seconds | None:
        """Seconds from the beginning to the end; ``None`` without a limit."""
        begin_s = now_s if self.begins is None else max(self.begins.at_s, now_s)
        given = [self.limit.for_s] if self.limit.for_s is not None else []
        given += [self.limit.until_s - begin_s] if self.limit.until_s is not None else []
        return min(given, default=None)

    def given(self, now_s: Seconds) -> TimeGiven | None:
        """The same for whoever looks at it before; ``None`` where nothing was asked for."""
        seconds = self.seconds(now_s)
        if seconds is None and self.begins is None:
            return None
        begins_s = None if self.begins is None else self.begins.at_s
        ends_s = None if seconds is None else max(now_s, begins_s or now_s) + seconds
        begins, ends = (None if at_s is None else local_text(round(at_s)) for at_s in (begins_s, ends_s))
        return TimeGiven(begins, ends, begins_s, ends_s, seconds, self.notes)


def sitting(asked: Asked, start: Start | None, now_s: Seconds) -> Sitting:
    """What times that were asked for mean now.

    Args:
        asked: the options.
        start: the plan's, which the option comes before.
        now_s: the wall clock.

    Raises:
        InputError: with every one that cannot be.
    """
    problems: list[Problem] = []
    begins = ends = lasting = None
    where, at = ("--at", asked.at) if asked.at is not None else ("start.at", None if start is None else start.at)
    try:
        begins = None if at is None or at == NOW else read_moment(at, now_s)
    except ValueError as error:
        problems.append(Problem(where, "", str(error)))
    begin_s = begins.at_s if begins is not None else now_s
    try:
        ends = None if asked.until is None else read_moment(asked.until, begin_s)
    except ValueError as error:
        problems.append(Problem("--until", "", str(error)))
    try:
        lasting = None if asked.lasting is None else _length(asked.lasting)
    except ValueError as error:
        problems.append(Problem("--for", "", str(error)))
    if problems:
        raise InputError(problems)
    return Sitting(begins, ends, TimeLimit(None if ends is None else ends.at_s, lasting))


def read_moment(text: str, after_s: Seconds) -> Moment:
    """The moment that a text names: a time of day (its next occurrence), or a date with a time, with or without offset.

    Args:
        text: as somebody wrote it.
        after_s: the moment has to lie after this one.

    Raises:
        ValueError: it is neither, there is no such day or time, or it is over.
    """
    if TIME_OF_DAY.fullmatch(text):
        return _next(time.fromisoformat(text), after_s)
    dated = _DATED.fullmatch(text)
    if dated is None:
        raise ValueError(f"{text[:60]!r} is not a time; {_WANTED}")
    try:
        wanted = datetime.fromisoformat(f"{dated['day']}T{dated['time']}{dated['offset'] or ''}")
        found = Moment(wanted.timestamp()) if wanted.tzinfo is not None else _dated(wanted, after_s)
    except (ValueError, OverflowError, OSError) as error:
        raise ValueError(f"{text[:60]!r} is not a time: {error}; {_WANTED}") from error
    if found.at_s <= after_s:
        raise ValueError(f"{text!r} ({found.shown}) has passed; name a time after {local_text(after_s)}")
    if found.at_s - after_s > _YEAR_S:
        raise ValueError(f"{text!r} is more than a year ahead; {_WANTED}")
    return found


def read_past(text: str, now_s: Seconds) -> Seconds:
    """The moment that a text names, of something that is over: a date (then noon is meant), or a date with a time.

    Raises:
        ValueError: it is neither, there is no such day or time, or it is still to come.
    """
    wanted = "write a date such as 2026-03-01, or with a time such as 2026-03-01T20:15"
    dated = _DATED.fullmatch(f"{text}T12:00" if _DAY.fullmatch(text) else text)
    if dated is None:
        raise ValueError(f"{text[:60]!r} is not a date; {wanted}")
    try:
        meant = datetime.fromisoformat(f"{dated['day']}T{dated['time']}{dated['offset'] or ''}")
        found = Moment(meant.timestamp()) if meant.tzinfo is not None else _dated(meant, -_YEAR_S)
    except (ValueError, OverflowError, OSError) as error:
        raise ValueError(f"{text[:60]!r} is not a date: {error}; {wanted}") from error
    today = _DAY.fullmatch(text) is not None and _day(_local(now_s).date()) == _day(_local(found.at_s).date())
    if found.at_s > now_s and not today:
        raise ValueError(f"{text!r} ({found.shown}) is still to come; {wanted}")
    return min(found.at_s, now_s)


def local_text(seconds: Seconds) -> str:
    """A moment in local time: ``Sun 29 Nov 06:30 CET``."""
    local = _local(seconds)
    return f"{_day(local.date())} {_clock(local)} {local.tzname()}"


def _length(text: str) -> Seconds:
    seconds = parse_duration(text)
    if seconds <= 0:
        raise ValueError(f"{text!r} is no time at all; write for example '9 h'")
    if seconds > _YEAR_S:
        raise ValueError(f"{text[:60]!r} is more than a year; write for example '9 h'")
    return seconds


def _next(wanted: time, after_s: Seconds) -> Moment:
    today = _local(after_s).date()
    for ahead in range(-1, _DAYS_AHEAD + 1):
        moment = _dated(datetime.combine(today + timedelta(days=ahead), wanted), after_s, missing_day=False)
        if moment.at_s > after_s:
            return moment
    raise ValueError(f"{wanted:%H:%M} does not come within the next days by this machine's time zone")


def _dated(wanted: datetime, after_s: Seconds, *, missing_day: bool = True) -> Moment:
    """The moment that a local time without offset means, seen from another; one in the past where a day is missing."""
    found = sorted(_moments(wanted))
    if not found:
        return _jump(wanted, missing_day=missing_day)
    if len(found) == 1:
        return Moment(float(found[0]))
    chosen = next((at_s for at_s in found if at_s > after_s), found[-1])
    other = found[0] if chosen != found[0] else found[-1]
    which = "first" if chosen == found[0] else "second, which is still to come,"
    told = (
        f"{_clock(wanted)} comes twice on {_day(wanted.date())}, when the clocks go back: the {which} is meant, "
        f"{local_text(chosen)}; for the other one write {_with_offset(other)}"
    )
    return Moment(float(chosen), (told,))


def _jump(wanted: datetime, *, missing_day: bool) -> Moment:
    """The moment at which the clocks jump over a local time."""
    naive_s = _as_if_utc(wanted)
    early, late = naive_s - _AROUND_S, naive_s + _AROUND_S
    while late - early > 1:
        middle = (early + late) // 2
        early, late = (early, middle) if _shows(middle) > naive_s else (middle, late)
    before, after = _local(early), _local(late)
    if before.date() < wanted.date() < after.date():
        if not missing_day:
            return Moment(-float("inf"))
        what = f"{_day(wanted.date())} does not exist here"
    else:
        what = f"{_clock(wanted)} does not exist on {_day(wanted.date())}"
    return Moment(float(late), (f"{what}: the clocks jump over it, to {local_text(late)}; that moment is meant",))


def _moments(wanted: datetime) -> Iterator[int]:
    """All moments at which the local clock shows a time."""
    naive_s = _as_if_utc(wanted)
    around = range(naive_s - _AROUND_S, naive_s + _AROUND_S, _GRAIN_S)
    for offset_s in {_shows(moment) - moment for moment in around}:
        if _shows(naive_s - offset_s) == naive_s:
            yield naive_s - offset_s


def _local(seconds: Seconds) -> datetime:
    return datetime.fromtimestamp(seconds, UTC).astimezone()


def _shows(seconds: int) -> int:
    """What the local clock shows at a moment, as if it were UTC."""
    return _as_if_utc(_local(seconds))


def _as_if_utc(local: datetime) -> int:
    return int(local.replace(tzinfo=UTC, microsecond=0).timestamp())


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _clock(local: datetime) -> str:
    return f"{local:%H:%M}" if local.second == 0 else f"{local:%H:%M:%S}"


def _with_offset(seconds: int) -> str:
    return _local(seconds).isoformat(timespec="minutes")
