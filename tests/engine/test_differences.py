"""What is not as it was, in lines that a person can act on: a guest against how it was kept."""

from __future__ import annotations

import dataclasses

import pytest
from simulated_run import Experiment, lab, plan

from orchestrator.engine.differences import compare, guest_differences
from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import HostFault

XML = """<domain type='kvm'>
  <name>bookings-1</name>
  <memory unit='KiB'>524288</memory>
  <vcpu placement='static'>4</vcpu>
  <devices>
    <graphics type='vnc' passwd='Saltmarsh'/>
  </devices>
</domain>
"""


def guest(text: str | bytes = XML, *, running: bool = True, name: str = "domain.xml") -> SavedGuest:
    return SavedGuest({name: text.encode() if isinstance(text, str) else text}, running)


def told(now: SavedGuest, was: SavedGuest | None = None) -> list[str]:
    return list(guest_differences(was or guest(), now))


def test_a_guest_that_is_the_same_has_no_differences() -> None:
    assert told(guest()) == []


def test_each_element_that_differs_is_told_with_what_it_was_and_is() -> None:
    shaped = XML.replace(">4<", ">1<").replace(
        "  <devices>", "  <metadata>\n    <shape name='one'/>\n  </metadata>\n  <devices>"
    )
    assert told(guest(shaped, running=False)) == [
        "power: was on, is off",
        "domain.xml: was <vcpu placement='static'>4</vcpu>, is <vcpu placement='static'>1</vcpu>",
        "domain.xml: was nothing, is <metadata>",
        "domain.xml: was nothing, is <shape name='one'/>",
        "domain.xml: was nothing, is </metadata>",
    ]
    assert told(guest(XML.replace("  <memory unit='KiB'>524288</memory>\n", ""))) == [
        "domain.xml: was <memory unit='KiB'>524288</memory>, is nothing"
    ]


def test_a_password_in_a_definition_is_not_shown() -> None:
    [line] = told(guest(XML.replace("Saltmarsh", "other")))
    assert "passwd=(not shown)" in line
    assert "Saltmarsh" not in line
    assert "other" not in line


@pytest.mark.parametrize(
    ("now", "says"),
    [
        (b"\xff\x00", "they are no text"),
        (XML.replace("  ", "\t"), "differs in blanks only"),
        (XML + "<x/>\n" * 6000, "lines were, 6008 lines are"),
    ],
)
def test_what_cannot_be_told_line_by_line_is_told_as_a_whole(now: str | bytes, says: str) -> None:
    [line] = told(guest(now))
    assert says in line


def test_many_differences_are_cut_and_counted_and_control_characters_escaped() -> None:
    lines = told(guest("".join(f"<a{number}/>\n" for number in range(40))), guest("\x1b[31m\n"))
    assert len(lines) == 13
    assert lines[0] == "domain.xml: was \\x1b[31m, is <a0/>"
    assert lines[-1] == "domain.xml: and 28 more lines"


def test_files_that_came_and_went_are_named() -> None:
    assert told(guest(name="disk.json")) == ["disk.json: was not there", "domain.xml: is not there any more"]


# ------------------------------------------------------------------------------------------------ asked of a driver


def test_a_guest_is_compared_without_being_touched() -> None:
    hypervisor = Experiment(plan(), lab()).hypervisor
    saved = hypervisor.save()
    assert compare("bookings-1", saved, hypervisor).found == "same"
    found = compare("bookings-1", SavedGuest(saved.files, not saved.running), hypervisor)
    assert (found.found, found.lines[0][:6]) == ("differs", "power:")
    assert hypervisor.save() == saved


def test_a_guest_that_runs_as_another_machine_than_it_is_defined_is_not_as_it_was(mocker) -> None:
    hypervisor = Experiment(plan(), lab()).hypervisor
    saved = hypervisor.save()
    assert saved.running
    otherwise = dataclasses.replace(hypervisor.describe(), runs_as_defined=False)
    mocker.patch.object(hypervisor, "describe", return_value=otherwise)
    found = compare("bookings-1", saved, hypervisor)
    assert found.found == "differs"
    assert "still the machine that it was started as" in found.lines[0]


@pytest.mark.parametrize(("question", "found"), [("describe", "unknown"), ("save", "differs")])
def test_a_host_that_does_not_answer_is_told_from_a_guest_in_a_strange_state(mocker, question: str, found: str) -> None:
    hypervisor = Experiment(plan(), lab()).hypervisor
    saved = hypervisor.save()
    mocker.patch.object(hypervisor, question, side_effect=HostFault("so it is"))
    compared = compare("bookings-1", saved, hypervisor)
    assert (compared.found, compared.lines) == (found, ("so it is",))
