"""Wrong neighbours in a plan's file: each is found at its place, and what fits is read."""

from __future__ import annotations

import pytest
from plan_texts import DRIVERS, LAB, PLAN, edited, position, problems, read

from orchestrator.adapters.plan_file import DriverFacts

#: Line 17 of the plan, after the workloads.
BEFORE = "design:\n  blocks: 4\n"
SAME_HOST = edited(LAB, "tickets-1: {host: rack-b}", "tickets-1: {host: rack-a}")


def beside(*items: str) -> str:
    """The good plan with neighbours; the first one stands in line 18."""
    lines = "".join(f"  - {item}\n" for item in items)
    return edited(PLAN, BEFORE, f"neighbours:\n{lines}{BEFORE}")


def test_neighbours_are_read() -> None:
    found = read(
        beside("{name: hogs, loops: 2, pin: [0, 1]}", "{name: t, guest: tickets-1, command: [w, '2']}"), SAME_HOST
    )
    hogs, tickets = found.plan.neighbours
    assert (hogs.loops, hogs.pin, hogs.guest, hogs.command) == (2, (0, 1), None, None)
    assert (tickets.guest, tickets.command) == ("tickets-1", ("w", "2"))


@pytest.mark.parametrize(
    ("item", "field", "words"),
    [
        ("{name: hogs}", "neighbours[0]", "either loops or command, not neither"),
        ("{name: hogs, loops: two}", "neighbours[0].loops", "'two' (text)"),
        ("{name: hogs, loops: 0}", "neighbours[0].loops", "from 1 to 1024"),
        ("{name: hogs, loop: 2}", "neighbours[0].loop", "did you mean 'loops'"),
        ("{name: two words, loops: 2}", "neighbours[0].name", "is not a name"),
        ("{loops: 2}", "neighbours[0].name", "is missing"),
        ("{name: hogs, loops: 2, pin: [0, -1]}", "neighbours[0].pin[1]", "from 0 to 65535"),
        ("{name: hogs, loops: 2, pin: [0, 0]}", "neighbours[0].pin[1]", "listed twice"),
        ("{name: hogs, command: work}", "neighbours[0].command", "list"),
        ("{name: t, guest: tickets-1, loops: 1}", "neighbours[0].guest", "it is no neighbour"),
        ("{name: t, guest: bookings-1, loops: 1}", "neighbours[0].guest", "is the guest that is measured"),
    ],
)
def test_what_is_wrong_is_found_at_its_place(item: str, field: str, words: str) -> None:
    (found,) = problems(beside(item))
    assert found.field == field
    assert words in found.message
    assert position(found)[1] == 18


def test_a_name_is_used_once() -> None:
    (found,) = problems(beside("{name: hogs, loops: 1}", "{name: hogs, loops: 2}"))
    assert found.field == "neighbours[1].name"
    assert position(found)[1] == 19
    assert "used twice, first by neighbours[0]" in found.message


def test_a_host_without_a_login(monkeypatch: pytest.MonkeyPatch) -> None:
    silent = edited(LAB, "    ssh: {address: rack-a.example, user: bench}\n", "")
    (found,) = problems(beside("{name: hogs, loops: 1}"), silent)
    assert found.field == "neighbours[0]"
    assert "add ssh under hosts: rack-a" in found.message
    own = DriverFacts(DRIVERS["model"].settings, DRIVERS["model"].features, host_login="own")
    monkeypatch.setitem(DRIVERS, "model", own)
    assert read(beside("{name: hogs, loops: 1}"), silent).plan.neighbours


def test_a_model_declares_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    none = DriverFacts(DRIVERS["model"].settings, DRIVERS["model"].features, host_login="none")
    monkeypatch.setitem(DRIVERS, "model", none)
    (found,) = problems(beside("{name: hogs, loops: 1}"))
    assert found.field == "neighbours"
    assert "under with: neighbours" in found.message
