"""Blocks until decided: when the evidence is looked at, what ends the run, and that a resumed run decides alike."""

from __future__ import annotations

from typing import Any

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.design.trials import trials
from orchestrator.core.record.journal import Look, progress
from orchestrator.core.record.run_line import run_line
from orchestrator.core.verdict.evidence import Evidence
from orchestrator.core.verdict.stopping import Stop
from orchestrator.engine.judge import verdict_of
from orchestrator.engine.listing import listing
from orchestrator.engine.news import BlocksJudged, RunBegan, TrialBegan
from orchestrator.errors import StoreError

CLEAR = {"threads": 2, "workload": "bookings"}
"""Two threads on one vCPU or on two: a difference that three blocks show."""
SMALL = {
    "measure": {
        "every": "2 s",
        "warm-up": {"at-least": "10 s", "at-most": "1 min"},
        "steady": {"at-least": "20 s", "at-most": "20 s"},
    }
}

SAME = [{"name": "one", "vcpus": 2, "memory": "1 GiB"}, {"name": "two", "vcpus": 2, "memory": "2 GiB"}]
"""Two shapes that do the same; two blocks cannot tell."""


def sequential(at_least: int = 3, at_most: int = 12, **changed: Any):
    blocks = {"at-least": at_least, "at-most": at_most, "until": "decided"}
    return plan(design={"blocks": blocks, "seed": 7, "only": [CLEAR]}, **SMALL, **changed)


def looks(experiment: Experiment) -> list[Look]:
    return [news.look for news in experiment.heard.news if isinstance(news, BlocksJudged)]


@pytest.fixture
def decides_after(mocker):
    """Makes the evidence decide after so many blocks, and remembers the blocks of each look."""
    seen: list[list[int]] = []

    def patch(blocks: int, *, hopeless: bool = False) -> list[list[int]]:
        def enough(evidence: Evidence, *_: object) -> Stop:
            seen.append(sorted({o.block or 0 for o in evidence.observations}))
            found = len(seen[-1]) >= blocks
            return Stop(found, found and not hopeless, "as the test has it")

        mocker.patch("orchestrator.engine.enough.enough_blocks", enough)
        return seen

    return patch


def test_a_clear_difference_ends_the_run_before_the_last_block() -> None:
    experiment = Experiment(sequential(), lab())
    records = experiment.go()
    kept = experiment.store.find("last")
    look = kept.look
    assert look is not None
    assert look.decided
    assert 3 <= look.blocks < 12
    assert len(records) == 2 * look.blocks, "whole blocks, and no trial after them"
    assert (kept.state, kept.standing) == ("done", f"done, decided after {look.blocks} of at most 12 blocks")
    assert looks(experiment)[-1] == look
    began = next(news for news in experiment.heard.news if isinstance(news, RunBegan))
    assert (began.trials, began.surely, began.done) == (24, 6, 0)
    verdict = verdict_of(kept)
    assert [(r.shape, r.basis) for r in verdict.recommendations] == [("two", "shown")]
    assert not [remark for remark in verdict.remarks if "not run" in remark]
    line = listing([run_line(kept)])[0]
    assert (line.tally.planned, line.tally.ended, line.state) == (len(records), len(records), "done")


def test_the_same_plan_and_seed_run_the_same_trials_again() -> None:
    one, other = Experiment(sequential(), lab()), Experiment(sequential(), lab())
    assert [record.id for record in one.go()] == [record.id for record in other.go()]
    assert looks(one) == looks(other)


def test_the_first_blocks_are_those_of_a_plan_with_a_fixed_number() -> None:
    fixed = plan(design={"blocks": 3, "seed": 7, "only": [CLEAR]})
    assert trials(sequential())[:6] == trials(fixed)


def test_looks_come_after_whole_blocks_and_as_planned(decides_after) -> None:
    seen = decides_after(7)
    experiment = Experiment(sequential(2, 8), lab())
    records = experiment.go()
    # From two blocks on, each time there is a fifth more: 2, 3, 4, 5, 6, then 8.
    assert [len(blocks) for blocks in seen] == [2, 3, 4, 5, 6, 8]
    assert len(records) == 16
    assert [look.sentence for look in looks(experiment)][-2:] == [
        "not decided after 6 of at most 8 blocks",
        "decided after all 8 blocks",
    ]


def test_a_run_that_ends_since_nothing_more_would_decide_does_not_call_itself_decided(decides_after) -> None:
    decides_after(2, hopeless=True)
    experiment = Experiment(sequential(2, shapes=SAME), lab())
    experiment.go()
    kept = experiment.store.find("last")
    assert (kept.state, kept.standing) == ("done", "done, ended undecided after 2 of at most 12 blocks")
    assert len(kept.needed) == 4


def test_without_a_decision_the_run_is_done_after_the_last_block(decides_after) -> None:
    decides_after(99)
    experiment = Experiment(sequential(2, 3), lab())
    assert len(experiment.go()) == 6
    kept = experiment.store.find("last")
    assert (kept.state, kept.standing) == ("done", "done, not decided after all 3 blocks")
    assert kept.needed == kept.record.trials


def test_a_fixed_number_of_blocks_is_never_looked_at(decides_after) -> None:
    seen = decides_after(1)
    experiment = Experiment(plan(design={"blocks": 2, "seed": 7, "only": [CLEAR]}, **SMALL), lab())
    assert len(experiment.go()) == 4
    assert seen == []
    assert experiment.store.find("last").look is None


@pytest.mark.parametrize("stop_at", [2, 3, 6, 7])
def test_an_interrupted_run_goes_on_with_the_block_in_hand_and_decides_alike(stop_at: int, decides_after) -> None:
    seen = decides_after(4)
    heard = Heard(stop_on=lambda news: isinstance(news, TrialBegan) and news.trial.number == stop_at)
    first = Experiment(sequential(2), lab(), heard=heard)
    assert len(first.go()) == stop_at
    kept = first.store.kept["run-1"]
    assert progress(kept.journal).state == "interrupted"
    missed = [remark for remark in verdict_of(first.store.find("last")).remarks if "not run" in remark]
    assert len(missed) == stop_at % 2, "only the block that was begun is missed"

    _, writer, _ = first.store.reopen("run-1")
    second = Experiment(first.plan, first.lab, store=first.store)
    rest = second.go(writer, done=list(kept.trials.values()))
    assert [record.number for record in rest] == list(range(stop_at + 1, 9))
    assert first.store.find("last").standing == "done, decided after 4 of at most 12 blocks"
    assert all(blocks == list(range(1, len(blocks) + 1)) for blocks in seen), "each look is at whole blocks"


def test_a_run_that_broke_off_between_decision_and_end_has_nothing_outstanding(decides_after) -> None:
    decides_after(2)
    first = Experiment(sequential(2), lab())
    first.go()
    kept = first.store.kept["run-1"]
    for event in list(kept.journal)[::-1]:  # as if the controller had lost power after the last trial
        if event.event == "trial-ended":
            break
        kept.journal.remove(event)
    assert first.store.find("last").state == "running or crashed"

    _, writer, _ = first.store.reopen("run-1")
    second = Experiment(first.plan, first.lab, store=first.store)
    assert second.go(writer, done=list(kept.trials.values())) == []
    assert first.store.find("last").standing.endswith(" after 2 of at most 12 blocks")
    with pytest.raises(StoreError, match="nothing left to resume"):
        first.store.reopen("run-1")


def test_a_block_whose_trials_failed_still_counts_as_a_block(decides_after) -> None:
    seen = decides_after(2)
    faults = [{"kind": "does-not-boot", "trial": 1}, {"kind": "does-not-boot", "trial": 2}]
    experiment = Experiment(sequential(2), lab(faults=faults))
    records = experiment.go()
    assert [record.outcome for record in records[:3]] == ["failed", "failed", "measured"]
    assert seen[0] == [2], "the first block gave no observation"
    assert [len(blocks) for blocks in seen] == [1, 2]


def test_a_journal_whose_look_is_damaged_is_read_as_if_there_were_none() -> None:
    experiment = Experiment(sequential(), lab())
    experiment.go()
    kept = experiment.store.kept["run-1"]
    kept.journal[:] = [
        event.model_copy(update={"detail": {"blocks": "four"}}) if event.event == "blocks-judged" else event
        for event in kept.journal
    ]
    assert experiment.store.find("last").standing == "done"


@pytest.mark.parametrize("missing", [[3], [1, 4], [8]])
def test_a_trial_that_was_lost_after_the_decision_is_run_again_and_no_other(missing: list[int], decides_after) -> None:
    seen = decides_after(4)
    first = Experiment(sequential(2), lab())
    assert len(first.go()) == 8
    kept = first.store.kept["run-1"]
    for record in list(kept.trials.values()):
        if record.number in missing:
            del kept.trials[record.id]  # as if its folder had been spoilt
    stored = first.store.find("run-1")
    assert not stored.complete
    assert [name[:4] for name in stored.lost] == [f"{number:04d}" for number in missing]
    assert stored.standing.startswith(f"done, {len(missing)} trial")

    seen.clear()
    _, writer, _ = first.store.reopen("run-1")
    second = Experiment(first.plan, first.lab, store=first.store)
    assert [record.number for record in second.go(writer, done=list(kept.trials.values()))] == missing
    assert first.store.find("run-1").standing == "done, decided after 4 of at most 12 blocks"
    assert all(blocks == list(range(1, len(blocks) + 1)) for blocks in seen), "each look is at whole blocks"


def test_a_run_with_a_fixed_number_of_blocks_runs_its_lost_trials_only() -> None:
    first = Experiment(plan(design={"blocks": 3, "seed": 7, "only": [CLEAR]}, **SMALL), lab())
    assert len(first.go()) == 6
    kept = first.store.kept["run-1"]
    gone = next(record.id for record in kept.trials.values() if record.number == 3)
    del kept.trials[gone]
    _, writer, _ = first.store.reopen("run-1")
    again = Experiment(first.plan, first.lab, store=first.store).go(writer, done=list(kept.trials.values()))
    assert [record.id for record in again] == [gone]
    assert first.store.find("run-1").complete
