"""Local times as people write them, over zones and days on which the clocks change (IANA's time zone database)."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from orchestrator.adapters.local_time import Asked, local_text, read_moment, sitting
from orchestrator.core.design.start import Start
from orchestrator.core.design.time_limit import TimeLimit
from orchestrator.errors import InputError

ZONES = Path("/usr/share/zoneinfo")
Place = Callable[[str], None]


@pytest.fixture
def place(monkeypatch: pytest.MonkeyPatch) -> Iterator[Place]:
    """Put this process into a time zone, as TZ does."""

    def put(zone: str) -> None:
        assert (ZONES / zone).is_file(), f"the system's time zones are missing: no {ZONES / zone} (package tzdata)"
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield put
    monkeypatch.undo()
    time.tzset()


def instant(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize(
    ("zone", "asked", "after", "expected", "says"),
    [
        # Europe/Berlin: 02:00 CET becomes 03:00 CEST on 2026-03-29, 03:00 CEST becomes 02:00 CET on 2026-10-25.
        ("Europe/Berlin", "06:30", "2026-11-28T19:00+01:00", "2026-11-29T06:30+01:00", ""),
        ("Europe/Berlin", "19:00", "2026-11-28T19:00+01:00", "2026-11-29T19:00+01:00", ""),
        ("Europe/Berlin", "06:30", "2026-03-28T19:00+01:00", "2026-03-29T06:30+02:00", ""),
        ("Europe/Berlin", "06:30", "2026-10-24T19:00+02:00", "2026-10-25T06:30+01:00", ""),
        ("Europe/Berlin", "02:30", "2026-03-28T19:00+01:00", "2026-03-29T03:00+02:00", "02:30 does not exist"),
        ("Europe/Berlin", "02:00", "2026-03-28T19:00+01:00", "2026-03-29T03:00+02:00", "02:00 does not exist"),
        ("Europe/Berlin", "03:00", "2026-03-28T19:00+01:00", "2026-03-29T03:00+02:00", ""),
        ("Europe/Berlin", "02:30", "2026-10-24T19:00+02:00", "2026-10-25T02:30+02:00", "the first is meant"),
        ("Europe/Berlin", "02:30", "2026-10-25T02:40+02:00", "2026-10-25T02:30+01:00", "the second"),
        ("Europe/Berlin", "02:30", "2026-10-25T02:40+01:00", "2026-10-26T02:30+01:00", ""),
        ("Europe/Berlin", "2026-10-25T02:30", "2026-10-24T19:00+02:00", "2026-10-25T02:30+02:00", "the first is meant"),
        ("Europe/Berlin", "2026-10-25T02:30+01:00", "2026-10-24T19:00+02:00", "2026-10-25T02:30+01:00", ""),
        ("Europe/Berlin", "2026-11-29T06:30Z", "2026-11-28T19:00+01:00", "2026-11-29T07:30+01:00", ""),
        ("Europe/Berlin", "2026-11-29 06:30", "2026-11-28T19:00+01:00", "2026-11-29T06:30+01:00", ""),
        ("Europe/Berlin", "06:30:15", "2026-11-28T19:00+01:00", "2026-11-29T06:30:15+01:00", ""),
        # America/New_York: 02:00 EST becomes 03:00 EDT on 2026-03-08, 02:00 EDT becomes 01:00 EST on 2026-11-01.
        ("America/New_York", "02:30", "2026-03-07T19:00-05:00", "2026-03-08T03:00-04:00", "02:30 does not exist"),
        ("America/New_York", "01:30", "2026-10-31T19:00-04:00", "2026-11-01T01:30-04:00", "01:30 comes twice"),
        # Australia/Lord_Howe changes by half an hour: +10:30 and +11, on 2026-04-05 and 2026-10-04 at 02:00.
        ("Australia/Lord_Howe", "02:10", "2026-10-03T19:00+10:30", "2026-10-04T02:30+11:00", "02:10 does not exist"),
        ("Australia/Lord_Howe", "01:45", "2026-04-04T19:00+11:00", "2026-04-05T01:45+11:00", "01:45 comes twice"),
        ("Australia/Lord_Howe", "01:15", "2026-04-04T19:00+11:00", "2026-04-05T01:15+11:00", ""),
        # Pacific/Apia had no 2011-12-30: it went from -10 to +14 as the 29th ended.
        ("Pacific/Apia", "06:30", "2011-12-29T19:00-10:00", "2011-12-31T06:30+14:00", ""),
        ("Pacific/Apia", "2011-12-30T06:30", "2011-12-29T19:00-10:00", "2011-12-31T00:00+14:00", "Fri 30 Dec does not"),
        # Africa/Casablanca: the clocks go back for the month of Ramadan: 03:00 +01 becomes 02:00 +00 on 2026-02-15.
        ("Africa/Casablanca", "02:30", "2026-02-14T19:00+01:00", "2026-02-15T02:30+01:00", "02:30 comes twice"),
        # America/Sao_Paulo jumped at midnight: 2018-11-04 began at 01:00.
        ("America/Sao_Paulo", "00:30", "2018-11-03T19:00-03:00", "2018-11-04T01:00-02:00", "00:30 does not exist"),
        ("Asia/Kathmandu", "06:30", "2026-11-28T19:00+05:45", "2026-11-29T06:30+05:45", ""),
        ("UTC", "00:00", "2026-12-31T23:59+00:00", "2027-01-01T00:00+00:00", ""),
    ],
)
def test_a_local_time_is_the_moment_that_is_documented(  # noqa: PLR0917
    place: Place, zone: str, asked: str, after: str, expected: str, says: str
) -> None:
    place(zone)
    moment = read_moment(asked, instant(after))
    assert moment.at_s == instant(expected)
    assert says in " ".join(moment.notes)
    assert bool(moment.notes) == bool(says)


@pytest.mark.parametrize(
    "zone",
    [
        "Africa/Casablanca", "America/New_York", "America/St_Johns", "Antarctica/Troll", "Asia/Gaza", "Asia/Kathmandu",
        "Australia/Lord_Howe", "Europe/Berlin", "Europe/Dublin", "Pacific/Chatham", "Pacific/Kiritimati", "UTC",
    ],
)  # fmt: skip
def test_a_year_of_evenings_agrees_with_the_standard_librarys_reading_of_the_time_zone_database(
    place: Place, zone: str
) -> None:
    """The evenings around each change of the clocks in 2026 and each twentieth other, to the night and the morning."""
    place(zone)
    rules = ZoneInfo(zone)
    evenings = [datetime(2026, 1, 1, 19, tzinfo=rules) + timedelta(days=day) for day in range(365)]
    changing = {
        day + around
        for day in range(364)
        for around in (-1, 0, 1)
        if evenings[day].utcoffset() != evenings[day + 1].utcoffset()
    }
    for day, wanted in itertools.product(sorted(changing | set(range(0, 365, 20))), ("02:30", "06:30")):
        after_s = int(evenings[day].timestamp())
        moment = read_moment(wanted, after_s)
        shown = datetime.fromtimestamp(moment.at_s, UTC).astimezone(rules)
        assert after_s < moment.at_s <= after_s + 26 * 3600
        if f"{shown:%H:%M}" != wanted:  # only where the clocks jump over it: a moment before they show an earlier time
            assert "does not exist" in moment.notes[0]
            before = datetime.fromtimestamp(moment.at_s - 1, UTC).astimezone(rules)
            assert f"{before:%H:%M}" < wanted < f"{shown:%H:%M}"
            continue
        # Offsets are multiples of a quarter of an hour, so no clock shows a half hour between two of these moments.
        earlier = (
            datetime.fromtimestamp(at_s, UTC).astimezone(rules) for at_s in range(after_s, int(moment.at_s), 900)
        )
        assert wanted not in {f"{each:%H:%M}" for each in earlier}, "it is the next occurrence"


def test_a_time_is_shown_with_its_day_and_zone(place: Place) -> None:
    place("Europe/Berlin")
    assert local_text(instant("2026-11-29T06:30+01:00")) == "Sun 29 Nov 06:30 CET"
    assert local_text(instant("2026-07-01T06:30:05+02:00")) == "Wed 1 Jul 06:30:05 CEST"


def test_what_comes_twice_names_the_other_one_so_that_it_can_be_written(place: Place) -> None:
    place("Europe/Berlin")
    after_s = instant("2026-10-24T19:00+02:00")
    first = read_moment("02:30", after_s)
    assert first.notes == (
        "02:30 comes twice on Sun 25 Oct, when the clocks go back: the first is meant, Sun 25 Oct 02:30 CEST; for the "
        "other one write 2026-10-25T02:30+01:00",
    )
    other = read_moment(first.notes[0].rpartition(" ")[2], after_s)
    assert other.at_s - first.at_s == 3600
    assert other.notes == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("25:00", "'25:00' is not a time; write a time of day such as 06:30"),
        ("6:30", "is not a time"),
        ("half past six", "is not a time"),
        ("2026-02-30T06:30", "day is out of range for month"),
        ("2026-11-28T24:30", "is not a time"),
        ("2026-11-28T18:59", "(Sat 28 Nov 18:59 CET) has passed; name a time after Sat 28 Nov 19:00 CET"),
        ("9999-12-31T23:59-12:00", "is more than a year ahead"),
        ("2027-12-01T06:30", "is more than a year ahead"),
        ("", "is not a time"),
        ("06:30 ", "is not a time"),
        ("٠٦:٣٠", "is not a time"),
        ("x" * 5000, "is not a time"),
    ],
)
def test_what_is_no_time_is_refused_with_what_to_write(place: Place, text: str, says: str) -> None:
    place("Europe/Berlin")
    with pytest.raises(ValueError, match=r"^.{1,300}$") as refused:
        read_moment(text, instant("2026-11-28T19:00+01:00"))
    assert says in str(refused.value)


def test_an_end_is_the_next_after_the_beginning_and_not_after_now(place: Place) -> None:
    place("Europe/Berlin")
    now_s = instant("2026-11-28T05:00+01:00")
    times = sitting(Asked(until="06:30", lasting="9 h", at="19:00"), Start(at="20:00"), now_s)
    assert times.begins is not None
    assert times.begins.at_s == instant("2026-11-28T19:00+01:00"), "the option comes before the plan"
    assert times.limit == TimeLimit(instant("2026-11-29T06:30+01:00"), 9 * 3600.0)
    assert times.seconds(now_s) == 9 * 3600
    given = times.given(now_s)
    assert given is not None
    assert (given.begins, given.ends) == ("Sat 28 Nov 19:00 CET", "Sun 29 Nov 04:00 CET")


def test_a_night_in_which_the_clocks_go_back_is_an_hour_longer(place: Place) -> None:
    place("Europe/Berlin")
    for evening, hours in (("2026-10-24T19:00+02:00", 12.5), ("2026-03-28T19:00+01:00", 10.5)):
        assert sitting(Asked(until="06:30"), None, instant(evening)).seconds(instant(evening)) == hours * 3600


def test_the_plans_start_counts_unless_now_is_asked_for(place: Place) -> None:
    place("UTC")
    now_s = instant("2026-11-28T05:00+00:00")
    assert sitting(Asked(), Start(at="19:00"), now_s).begins is not None
    assert sitting(Asked(at="now"), Start(at="19:00"), now_s).begins is None
    assert sitting(Asked(), None, now_s).given(now_s) is None


def test_all_that_is_wrong_with_times_is_told_at_once(place: Place) -> None:
    place("UTC")
    with pytest.raises(InputError) as refused:
        sitting(Asked(until="soon", lasting="9", at="7 pm"), None, 0.0)
    assert [problem.where for problem in refused.value.problems] == ["--at", "--until", "--for"]
    for length, says in (("0 s", "'0 s' is no time at all"), ("999999999 d", "is more than a year")):
        with pytest.raises(InputError, match=says):
            sitting(Asked(lasting=length), None, 0.0)


def test_a_change_of_time_zone_in_the_middle_moves_no_end(place: Place) -> None:
    """The end is a moment from the beginning on; only how it is written changes."""
    place("Europe/Berlin")
    limit = sitting(Asked(until="06:30"), None, instant("2026-11-28T19:00+01:00")).limit
    assert limit.until_s is not None
    assert local_text(limit.until_s) == "Sun 29 Nov 06:30 CET"
    place("America/New_York")
    assert limit.until_s == instant("2026-11-29T06:30+01:00")
    assert local_text(limit.until_s) == "Sun 29 Nov 00:30 EST"
