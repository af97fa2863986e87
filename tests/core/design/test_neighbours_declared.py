"""Neighbours as they are declared, against the lab, and in words."""

from __future__ import annotations

from typing import Any

import pytest
from plan_samples import SHAPES, plan
from pydantic import ValidationError

from orchestrator.core.design.fit import misfits, remarks
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.neighbour import Neighbour, described, guests_of, least_cpus, neighbours_in
from orchestrator.core.design.trials import trials
from orchestrator.engine.check_plan import forecast
from orchestrator.hypervisors.here.driver import HereDriver

HOGS = {"name": "hogs", "loops": 2, "pin": [0, 1]}
TIMETABLE = {"name": "timetable", "guest": "timetable-1", "loops": 4}
REPORTS = {"name": "reports", "guest": "timetable-1", "command": ["work", "2"]}
SSH = {"address": "rack-a.example", "user": "bench"}


def lab(*, ssh: Any = None, **marks: bool) -> Lab:
    """Two guests on one host and one on another."""

    def guest(name: str, host: str) -> dict[str, Any]:
        return {"host": host, "may-power-cycle": marks.get(name, True)}

    hosts = {"rack-a": {"hypervisor": "model", "ssh": ssh}, "rack-b": {"hypervisor": "model"}}
    guests = {
        "bookings-1": guest("bookings", "rack-a"),
        "timetable-1": guest("timetable", "rack-a"),
        "far-1": guest("far", "rack-b"),
    }
    return Lab.model_validate({"hosts": hosts, "guests": guests})


def beside(*neighbours: dict[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
    """What misfits on a host that the lab gives no login to."""
    found = misfits(plan(neighbours=list(neighbours)), lab(), frozenset(), "lab")
    return [(finding.at, finding.message) for finding in found]


@pytest.mark.parametrize(
    ("changes", "at", "words"),
    [
        ({}, (), "not neither"),
        ({"loops": 1, "command": ["work"]}, (), "not both"),
        ({"command": ["work"], "pin": [0]}, ("pin",), "pin belongs to loops"),
        ({"loops": 2, "pin": [1, 1]}, ("pin", 1), "CPU 1 is listed twice"),
        ({"loops": 2, "pin": []}, ("pin",), ""),
        ({"loops": 0}, ("loops",), ""),
        ({"loops": 1025}, ("loops",), ""),
        ({"command": [""]}, ("command", 0), "program's name is empty"),
        ({"command": []}, ("command",), ""),
        ({"loops": 1, "nice": 5}, ("nice",), ""),
    ],
)
def test_what_is_no_neighbour(changes: dict[str, Any], at: tuple[Any, ...], words: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Neighbour.model_validate({"name": "hogs"} | changes)
    (error,) = caught.value.errors()
    assert error["loc"] == at
    assert words in error["msg"]


def test_names_differ_from_each_other() -> None:
    with pytest.raises(ValidationError, match="neighbour name 'hogs' is used twice"):
        plan(neighbours=[HOGS, HOGS])


@pytest.mark.parametrize(
    ("declared", "cpus", "words"),
    [
        ({"name": "a", "loops": 1}, 1, "a (1 busy loop on the host)"),
        ({"name": "a", "loops": 3, "pin": [2]}, 1, "a (3 busy loops on the host's CPU 2)"),
        (HOGS, 2, "hogs (2 busy loops on the host's CPUs 0, 1)"),
        (TIMETABLE, 1, "timetable (4 busy loops in guest timetable-1)"),
        (TIMETABLE | {"pin": [0]}, 1, "timetable (4 busy loops on CPU 0 of guest timetable-1)"),
        (REPORTS, 0, "reports ('work 2' in guest timetable-1)"),
        ({"name": "a", "command": ["x\x1b[2J"]}, 0, "a ('x\\x1b[2J' on the host)"),
    ],
)
def test_what_they_want_and_how_they_are_called(declared: dict[str, Any], cpus: int, words: str) -> None:
    neighbour = Neighbour.model_validate(declared)
    assert neighbour.least_cpus == cpus
    assert str(neighbour) == words


def test_several_together() -> None:
    several = plan(neighbours=[HOGS, TIMETABLE, REPORTS]).neighbours
    assert guests_of(several) == ("timetable-1",)
    assert least_cpus(several) == 3
    assert least_cpus(()) is None, "none declared is not the same as none wanted"
    assert described(several).count("; ") == 2


def test_they_are_read_back_from_a_kept_plan() -> None:
    asked = plan(neighbours=[HOGS, REPORTS])
    assert neighbours_in(asked.model_dump(mode="json")) == asked.neighbours
    assert neighbours_in({}) == ()
    assert neighbours_in({"neighbours": [{"name": "hogs"}, "hogs", HOGS]}) == asked.neighbours[:1]


def test_they_change_no_trial() -> None:
    assert [t.id for t in trials(plan(neighbours=[HOGS]))] == [t.id for t in trials(plan())]


@pytest.mark.parametrize(
    ("guest", "words"),
    [
        ("bookings-1", "is the guest that is measured"),
        ("timtable-1", "did you mean 'timetable-1'"),
        ("far-1", "far-1 runs on host rack-b and bookings-1 on host rack-a, so it is no neighbour"),
    ],
)
def test_a_guest_that_is_no_neighbour(guest: str, words: str) -> None:
    ((at, message),) = beside(REPORTS, TIMETABLE | {"guest": guest})
    assert at == ("neighbours", 1, "guest")
    assert words in message
    assert "timetable-1" in message


def test_a_load_on_the_host_needs_a_login_there() -> None:
    ((at, message),) = beside(TIMETABLE, HOGS)
    assert at == ("neighbours", 1)
    assert "add ssh under hosts: rack-a" in message
    asked = plan(neighbours=[HOGS])
    assert misfits(asked, lab(ssh=SSH), frozenset(), "lab") == []
    assert misfits(asked, lab(), frozenset(), "own") == []


@pytest.mark.parametrize("neighbour", [HOGS, REPORTS])
def test_a_model_has_no_host_to_load(neighbour: dict[str, Any]) -> None:
    (found,) = misfits(plan(neighbours=[neighbour]), lab(ssh=SSH), frozenset(), "none")
    assert found.at == ("neighbours",)
    assert "declared in the lab, under with: neighbours" in found.message
    assert misfits(plan(), lab(), frozenset(), "none") == []


def test_the_forecast_tells_what_becomes_of_them_and_whose_mark_is_missing() -> None:
    view = forecast(plan(neighbours=[HOGS, TIMETABLE]), lab(timetable=False), HereDriver.switch)
    assert any("guest timetable-1" in action and "started if it is off" in action for action in view.actions)
    assert any("hogs (2 busy loops" in action for action in view.actions)
    (refusal,) = view.refusals
    assert "timetable-1 is not marked may-power-cycle" in refusal


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"neighbours": [HOGS]}, "for a host that is as busy"),
        ({"neighbours": [REPORTS | {"command": ["work", "{threads}"]}]}, "reports: {...} is passed on as it stands"),
        ({"neighbours": [HOGS], "shapes": [s | {"pin": [2, 3]} for s in SHAPES]}, "pinned to CPUs that no shape runs"),
        ({"shapes": [*SHAPES[1:], SHAPES[0] | {"shares": 50}]}, "shares of one count only while"),
        ({"shapes": [*SHAPES[:2], SHAPES[2] | {"reshape": "live"}]}, "reshape: live for four only: a guest that grew"),
        ({"shapes": [s | {"reshape": "live"} for s in SHAPES]}, "shape one: reshape: live has nothing to plug in"),
    ],
)
def test_remarks(changes: dict[str, Any], words: str) -> None:
    assert words in "\n".join(remarks(plan(**changes), lab()))


@pytest.mark.parametrize(
    "changes",
    [
        {"shapes": [*SHAPES[1:], SHAPES[0] | {"shares": 50}], "neighbours": [TIMETABLE]},
        {"shapes": [s | {"reshape": "live"} for s in SHAPES[1:]]},
        {"neighbours": [HOGS], "shapes": [SHAPES[0], SHAPES[1] | {"pin": [2, 3]}, SHAPES[2]]},
    ],
)
def test_nothing_is_remarked_where_it_does_not_apply(changes: dict[str, Any]) -> None:
    found = "\n".join(remarks(plan(**changes), lab()))
    assert not any(words in found for words in ("shares of", "reshape: live", "no shape runs on"))


def test_a_live_shape_is_refused_at_the_key_that_asks_for_it() -> None:
    asked = plan(shapes=[*SHAPES[:2], SHAPES[2] | {"reshape": "live"}])
    (found,) = misfits(asked, lab(), frozenset({"pin"}))
    assert found.at == ("shapes", 2, "reshape")
    assert "cannot set reshape: live" in found.message
