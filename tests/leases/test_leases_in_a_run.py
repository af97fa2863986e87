"""What a run does with its leases: given back once all is as it was, left where it is not, and not gone on without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from lease_places import GUEST
from pytest_mock import MockerFixture
from simulated_run import Experiment, lab, plan

from orchestrator.adapters.leases import words
from orchestrator.engine.leased import leased
from orchestrator.engine.neighbours import Neighbours
from orchestrator.engine.news import RunEnded, TrialEnded
from orchestrator.engine.ports import SHARED, Lease
from orchestrator.engine.probe import probe
from orchestrator.errors import HostFault, RestoreError, StoreError, UnreachableError

LEASE = Lease("host", "ferries@desk-7", 4711, "run-9", "A night", "bookings-1", "2026-08-01T19:00:00.000Z", 4.0, "held")


class Notebook:
    """Leases that note what is done with them."""

    where = "leases on host model"
    held: Sequence[str] = ("model: host",)

    def __init__(self, found: Sequence[Lease] = (), trouble: str | None = None) -> None:
        self.done: list[str] = []
        self.found, self.trouble = list(found), trouble
        self.lost: str | None = None

    def look(self) -> list[Lease]:
        return self.found

    def take(self, run: str, title: str, *, share_host: bool) -> list[str]:
        self.done.append(f"take for {run}, {title}" + (", sharing" if share_host else ""))
        return ["a notice"]

    def release(self) -> str | None:
        self.done.append("release")
        return self.trouble

    def leave(self) -> None:
        self.done.append("leave")


def experiment(leases: Notebook) -> Experiment:
    made = Experiment(plan(design={"blocks": 1}), lab())
    made.bench = replace(made.bench, leases=leases)
    return made


def test_a_run_notes_its_leases_and_gives_them_back_after_its_guest_is_back() -> None:
    leases = Notebook()
    made = experiment(leases)
    made.go()
    assert leases.done == ["release"]
    events = [event.event for event in made.store.journal(made.store.find("run-1"))]
    assert events.index("leases-taken") < events.index("guest-saved")
    assert events.index("restored") < events.index("leases-released") < events.index("run-ended")


def test_a_run_whose_lease_was_broken_ends_its_trial_in_hand_and_begins_no_other() -> None:
    leases = Notebook()
    made = experiment(leases)

    def lose(news: object) -> bool:
        if isinstance(news, TrialEnded):
            leases.lost = "the lease on host model was broken or removed by somebody"
        return False

    made.heard.stop_on = lose
    assert len(made.go()) == 1
    ended = made.heard.news[-1]
    assert isinstance(ended, RunEnded)
    assert ended.state == "interrupted"
    events = made.store.journal(made.store.find("run-1"))
    assert [event.detail["reason"] for event in events if event.event == "lease-lost"] == [leases.lost]
    assert "restored" in {event.event for event in events}


@pytest.mark.parametrize("fault", [UnreachableError("no answer"), KeyboardInterrupt(), StoreError("disk full")])
@pytest.mark.parametrize("away", [(), ("bookings-1",)])
def test_a_run_that_does_not_get_to_its_end_gives_its_leases_back_unless_a_guest_of_it_is_still_away(
    fault: BaseException, away: tuple[str, ...]
) -> None:
    leases = Notebook()
    with pytest.raises(type(fault)), leased(plan(), leases, "run-1", print, away):
        raise fault
    taken = "take for run-1, How many vCPUs does the bookings database need?"
    assert leases.done == [taken, *(["leave"] if away else []), "release"]


def test_leases_are_left_where_the_guest_is_not_back(mocker: MockerFixture) -> None:
    leases = Notebook()
    made = experiment(leases)
    mocker.patch.object(made.hypervisor, "restore", side_effect=HostFault("no route to host"))
    with pytest.raises(RestoreError):
        made.go()
    assert leases.done == ["leave"]


def test_a_defect_among_neighbours_leaves_the_leases_and_hides_no_guest_that_is_not_back(mocker: MockerFixture) -> None:
    leases = Notebook()
    made = experiment(leases)
    mocker.patch.object(Neighbours, "end", side_effect=ZeroDivisionError("a defect"))
    mocker.patch.object(made.hypervisor, "restore", side_effect=HostFault("no route to host"))
    with pytest.raises(RestoreError, match=r"(?s)neighbours are back is not known.*NOT PUT BACK: guest 'bookings-1'"):
        made.go()
    assert leases.done == ["leave"]
    notes = [event.detail for event in made.store.kept["run-1"].journal if event.event == "notice"]
    assert "ZeroDivisionError: a defect" in str(notes), "the journal keeps where it arose"


def test_what_could_not_be_given_back_is_said() -> None:
    leases, said = Notebook(trouble="still there"), list[str]()
    with leased(plan(**{"share-host": True}), leases, "run-1", said.append) as notices:
        assert notices == ["a notice"]
    assert leases.done[0].endswith(", sharing")
    assert said == ["still there"]


@pytest.mark.parametrize(
    ("found", "share", "state"),
    [
        ([], False, "ready"),
        ([LEASE], False, "not ready"),
        ([LEASE], True, "not ready"),
        ([replace(LEASE, name=f"{SHARED}ab")], False, "not ready"),
        ([replace(LEASE, name=f"{SHARED}ab")], True, "ready"),
        ([replace(LEASE, name=GUEST)], True, "not ready"),
        ([replace(LEASE, state="abandoned")], False, "not ready"),
    ],
)
def test_the_probe_says_whether_a_run_would_get_its_leases(found: list[Lease], share: bool, state: str) -> None:
    made = Experiment(plan(**{"share-host": share}), lab())
    lines = [line for line in probe(made.plan, replace(made.bench, leases=Notebook(found))) if line.what == "leases"]
    assert [line.state for line in lines] == [state]
    assert ("ferries@desk-7 (process 4711) for run run-9" in lines[0].detail) == bool(found)


def test_the_probe_says_why_leases_cannot_be_looked_at_and_nothing_where_there_are_none() -> None:
    class Deaf(Notebook):
        def look(self) -> list[Lease]:
            raise HostFault("no answer")

    made = Experiment(plan(), lab())
    assert "leases" not in {line.what for line in probe(made.plan, made.bench)}
    lines = [line for line in probe(made.plan, replace(made.bench, leases=Deaf())) if line.what == "leases"]
    assert [(line.state, line.detail) for line in lines] == [("not ready", "no answer")]


def test_a_refusal_says_what_to_do_in_each_case() -> None:
    def said(own: bool = False, sharing: bool = False, **changes: object) -> str:
        lease = replace(LEASE, **changes)  # type: ignore[arg-type]
        return words.refusal(lease, [lease.name], "bench-1", own=own, sharing=sharing)

    assert said() == (
        "host bench-1 is in use, so nothing was changed: ferries@desk-7 (process 4711) for run run-9 (A night), since "
        "2026-08-01 19:00:00 UTC, last heard of 4 s ago. Wait for it to end; or have both plans say share-host: true, "
        "if they may disturb each other"
    )
    assert said(name=GUEST).startswith("guest bookings-1 on host bench-1 is in use")
    assert said(name=GUEST).endswith("Wait for it to end")
    assert "That is the same run" in said(own=True)
    assert said(state="stale", silent_s=300.0).endswith(
        "not heard of for 5 min. Make sure that it is over and its guest is back (trialbed resume run-9, where that "
        "run is kept); then: trialbed leases LAB --host bench-1 --break host"
    )
    assert "\x1b" not in said(owner="\x1b[2J", title="\x1b[2J" * 100)
