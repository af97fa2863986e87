"""What has changed while a run lay interrupted: told in full, refused, or accepted and noted."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from simulated_run import Experiment, lab, plan, record_of

from orchestrator.core.record.journal import Event, progress
from orchestrator.core.record.run import RunRecord
from orchestrator.engine.changes import (
    Change,
    Kept,
    Newer,
    accept,
    file_changes,
    guest_changes,
    kept_of,
    lab_changes,
    plan_changes,
    refuse,
    sha256,
    version_changes,
)
from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import InputError

INPUTS = {"plan.yaml": b"plan", "lab.yaml": b"lab", "bookings/bookings.py": b"work"}


def record(**changed: Any) -> RunRecord:
    digests = {name: sha256(content) for name, content in INPUTS.items()}
    return record_of(plan()).model_copy(update={"inputs_sha256": digests, "versions": {"trialbed": "0.4.0"}} | changed)


def sentences(found: Any) -> list[str]:
    return [change.sentence for change in found]


def test_files_are_compared_with_their_digests() -> None:
    kept = kept_of(record(), ())
    assert [*file_changes(kept, INPUTS, other_lab=False)] == []
    now = {"lab.yaml": b"other", "bookings/bookings.py": b"work"}
    gone, other = file_changes(kept, now, other_lab=False)
    assert (gone.what, gone.acceptable) == ("plan.yaml", False)
    assert other.sentence == f"lab.yaml: was sha256 {sha256(b'lab')[:12]}..., is {sha256(b'other')[:12]}..."
    assert other.acceptable


def test_a_lab_that_is_gone_is_made_up_for_by_another() -> None:
    now = {name: content for name, content in INPUTS.items() if name != "lab.yaml"}
    for other_lab in (False, True):
        [gone] = file_changes(kept_of(record(), ()), now, other_lab=other_lab)
        assert gone.acceptable is other_lab


def test_a_plan_that_gives_other_trials_is_never_accepted() -> None:
    found = [*plan_changes(record(), plan(design={"blocks": 4, "seed": 7}), edited=True)]
    assert sentences(found) == ["plan.yaml: gave 12 trials, gives 16 now; begin a new run for those"]
    assert not found[0].acceptable
    [reordered] = plan_changes(record(), plan(design={"blocks": 3, "seed": 8}), edited=False)
    assert "gives others now" in reordered.told, "also where this program orders them otherwise than the one before"
    shapes = [{"name": "one", "vcpus": 1, "memory": "1 GiB"}, {"name": "two", "vcpus": 3, "memory": "1 GiB"}]
    [larger] = plan_changes(record(), plan(shapes=shapes), edited=True)
    assert (larger.what, larger.acceptable) == ("plan.yaml: shapes", False)


def test_a_plan_that_decides_otherwise_may_be() -> None:
    [margin] = plan_changes(record(), plan(decide={"margin": "8 %"}), edited=True)
    assert (margin.what, margin.acceptable) == ("plan.yaml: decide", True)
    assert "0.08" in margin.told
    assert [*plan_changes(record(), plan(), edited=True)] == [], "a comment changes nothing but the digest"


def test_a_plan_that_was_not_edited_is_not_compared_field_by_field() -> None:
    """A later version of this program may resolve a plan with fields that the earlier one had not."""
    older = record(plan={key: value for key, value in record().plan.items() if key != "give_up_after"})
    assert [*plan_changes(older, plan(), edited=False)] == []
    assert [*plan_changes(older, plan(), edited=True)] == []


def test_labs_are_compared_field_by_field() -> None:
    moved = lab(cpus=4)
    moved.guests["bookings-1"] = moved.guests["bookings-1"].model_copy(update={"domain": "bookings-9"})
    assert sentences(lab_changes(lab(cpus=2), moved)) == [
        "lab: guests.bookings-1.domain: was nothing, is bookings-9",
        "lab: hosts.model.with.cpus: was 2, is 4",
    ]
    driver = lab()
    driver.hosts["model"] = driver.hosts["model"].model_copy(update={"hypervisor": "here"})
    [other] = lab_changes(lab(), driver)
    assert not other.acceptable
    assert [*lab_changes(lab(), lab())] == []


def test_another_version_of_this_program_is_told() -> None:
    assert sentences(version_changes(kept_of(record(), ()), "0.5.0")) == ["trialbed: was '0.4.0', is '0.5.0'"]
    assert [*version_changes(kept_of(record(), ()), "0.4.0")] == []


# -------------------------------------------------------------------------------------------------------- the guests


def changed(mocker, *, away: bool, left_behind: str = "marked", **description: Any):
    """What is told of a guest that had two vCPUs more when it was kept, and was off."""
    hypervisor = Experiment(plan(), lab()).hypervisor
    if description:
        shown = dataclasses.replace(hypervisor.describe(), **description)
        mocker.patch.object(hypervisor, "describe", return_value=shown)
    now = hypervisor.save()
    text = now.files["guest.json"].replace(b'"vcpus": 2', b'"vcpus": 4')
    assert text != now.files["guest.json"]
    saved = SavedGuest({"guest.json": text}, running=False)
    guests = {"bookings-1": (saved, hypervisor)}
    knew = Kept({}, "", frozenset({"bookings-1"} if away else ()))
    return guest_changes(guests, left_behind, knew), now  # type: ignore[arg-type]


def test_a_guest_that_its_owner_changed_is_told_and_kept_as_it_is_now(mocker) -> None:
    (found, newer), now = changed(mocker, away=False)
    assert sentences(found) == [
        "guest bookings-1: power: was off, is on",
        'guest bookings-1: guest.json: was "vcpus": 4, is "vcpus": 2',
    ]
    assert newer == {"bookings-1": now}


def test_whether_a_guest_is_on_is_the_runs_own_doing_while_it_is_not_back(mocker) -> None:
    (found, newer), now = changed(mocker, away=True)
    assert sentences(found) == ['guest bookings-1: guest.json: was "vcpus": 4, is "vcpus": 2']
    assert newer == {"bookings-1": SavedGuest(now.files, running=False)}


def test_what_the_run_itself_may_have_left_is_no_change(mocker) -> None:
    assert changed(mocker, away=True, shaped_as="two")[0] == ([], {})
    assert changed(mocker, away=True, left_behind="unmarked")[0] == ([], {})
    assert changed(mocker, away=False, left_behind="nothing")[0] == ([], {})
    assert changed(mocker, away=False, left_behind="unmarked")[0][0], "one that is back is its owner's again"


# ----------------------------------------------------------------------------------------------- refused or accepted


FINE, NEVER = Change("lab.yaml", "was this, is that"), Change("plan.yaml", "gives other trials", acceptable=False)


def test_all_changes_are_refused_in_one_go_a_line_each() -> None:
    refuse([], "run-1", accepted=False)
    refuse([FINE], "run-1", accepted=True)
    with pytest.raises(InputError) as caught:
        refuse([FINE, FINE], "run-1", accepted=False)
    lines = str(caught.value).splitlines()
    assert lines[:2] == ["run run-1: lab.yaml: was this, is that"] * 2
    assert "--accept-changes" in lines[2]
    for accepted in (False, True):
        with pytest.raises(InputError, match="does not help here"):
            refuse([FINE, NEVER], "run-1", accepted=accepted)


def test_what_was_accepted_is_noted_kept_and_not_told_again() -> None:
    experiment = Experiment(plan(), lab())
    writer = experiment.store.create(record(), INPUTS)
    before, after = SavedGuest({"guest.json": b"old"}, running=True), SavedGuest({"guest.json": b"new"}, running=True)
    writer.keep_before("bookings-1", before)
    edited = INPUTS | {"bookings/bookings.py": b"edited"}
    accept(writer, [FINE], Newer({"bookings-1": after}, edited, b"another lab", "0.5.0"), "2026-01-02T00:00:00.000Z")
    kept = experiment.store.kept[writer.id]
    assert writer.saved_guest("bookings-1") == after
    assert kept.inputs["lab.yaml"] == b"another lab"
    assert [name for name, _reason in kept.set_aside] == ["before-bookings-1", "lab.yaml"]
    assert progress(kept.journal).accepted == ("lab.yaml: was this, is that",)
    knew = kept_of(record(), kept.journal)
    assert [*file_changes(knew, edited | {"lab.yaml": b"another lab"}, other_lab=False)] == []
    assert [*version_changes(knew, "0.5.0")] == []
    assert [change.what for change in file_changes(knew, INPUTS, other_lab=False)] == [
        "lab.yaml",
        "bookings/bookings.py",
    ]


def test_changes_are_noted_before_anything_is_replaced() -> None:
    experiment = Experiment(plan(), lab())
    writer = experiment.store.create(record(), INPUTS)
    before, after = SavedGuest({"guest.json": b"old"}, running=True), SavedGuest({"guest.json": b"new"}, running=True)
    writer.keep_before("bookings-1", before)
    experiment.store._crash_after = experiment.store.writes + 1
    with pytest.raises(KeyboardInterrupt):
        accept(writer, [FINE], Newer({"bookings-1": after}, INPUTS, None, "0.5.0"), "2026-01-02T00:00:00.000Z")
    assert progress(experiment.store.kept[writer.id].journal).accepted == (FINE.sentence,)
    assert writer.saved_guest("bookings-1") == before, "so that it is told again when the run goes on"


def test_where_nothing_changed_nothing_is_noted() -> None:
    experiment = Experiment(plan(), lab())
    writer = experiment.writer()
    accept(writer, [], Newer({}, INPUTS, None, "0.5.0"), "2026-01-02T00:00:00.000Z")
    assert experiment.store.kept[writer.id].journal == []


def test_a_guest_that_is_away_is_known_by_its_name() -> None:
    begun = Event(time_utc="2026-01-02T00:00:00.000Z", event="trial-started", trial="b1", detail={})
    assert kept_of(record(), [begun]).away == {"bookings-1"}
