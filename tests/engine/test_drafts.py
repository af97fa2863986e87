"""What a trial in hand has measured is kept as it comes, and goes once the trial is stored or does not count."""

from __future__ import annotations

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.record.journal import progress
from orchestrator.engine.news import Measured, Notice, TrialBegan
from orchestrator.engine.observation import Observation
from orchestrator.testing.memory_store import MemoryDraft, MemoryStore, MemoryWriter

ONE_BLOCK = {"design": {"blocks": 1, "seed": 7}}


class Insists(Heard):
    """Somebody who will not wait for the second trial to be measured."""

    def tell(self, news) -> None:
        super().tell(news)
        began = [at for at, heard in enumerate(self.news) if isinstance(heard, TrialBegan)]
        seen = [heard for heard in self.news[began[-1] :] if isinstance(heard, Measured)] if began else []
        if len(began) == 2 and len(seen) == 10:
            raise KeyboardInterrupt


def test_a_trial_that_is_broken_off_keeps_all_that_it_had_measured_apart() -> None:
    experiment = Experiment(plan(**ONE_BLOCK), lab(), heard=Insists())
    with pytest.raises(KeyboardInterrupt):
        experiment.go()
    kept = experiment.store.kept["run-1"]
    assert len(kept.trials) == 1
    assert kept.drafts == {}, "nothing is in hand any more"
    (apart,) = kept.discarded
    assert apart.trial.startswith("0002-")
    assert apart.reason == "the run was stopped in the middle of it"
    assert {series: len(samples) > 5 for series, samples in apart.samples.items()} == {
        "host": True,
        "guest": True,
        "vcpu": True,
    }
    times = [sample.time_s for sample in apart.samples["vcpu"]]
    assert times == sorted(times)
    assert len(apart.output) > 5
    assert all(line.text for line in apart.output)
    where = progress(kept.journal)
    assert (where.in_hand, len(where.ended)) == (None, 1)
    assert any(isinstance(news, Notice) and "kept apart" in news.text for news in experiment.heard.news)


def test_a_trial_that_a_defect_of_ours_ends_keeps_what_it_had_measured_apart(mocker) -> None:
    experiment = Experiment(plan(**ONE_BLOCK), lab())
    mocker.patch.object(Observation, "measure", side_effect=ZeroDivisionError("oops"))
    records = experiment.go()
    apart = experiment.store.kept["run-1"].discarded
    assert [(draft.trial, draft.reason) for draft in apart] == [(record.id, record.reason) for record in records]
    assert all(len(draft.samples["guest"]) > 5 for draft in apart)


def test_a_draft_holds_what_the_trial_is_stored_with(mocker) -> None:
    drafts: list[MemoryDraft] = []
    original = MemoryWriter.draft

    def remembered(self, trial, tell):
        drafts.append(original(self, trial, tell))
        return drafts[-1]

    mocker.patch.object(MemoryWriter, "draft", remembered)
    experiment = Experiment(plan(**ONE_BLOCK), lab())
    records = experiment.go()
    kept = experiment.store.kept["run-1"]
    assert [draft.trial for draft in drafts] == [record.id for record in records]
    for draft in drafts:
        data = kept.data[draft.trial]
        assert draft.samples == {"host": data.host, "guest": data.guest, "vcpu": data.vcpu}
        assert "".join(f"{line.text}\n" for line in draft.output) == data.log
    assert (kept.drafts, kept.discarded) == ({}, [])


def test_a_run_whose_process_died_puts_the_trial_in_hand_apart_and_runs_it_again() -> None:
    store = MemoryStore(crash_after=70)  # power is lost: not even the end can be written
    first = Experiment(plan(**ONE_BLOCK), lab(), store=store)
    with pytest.raises(KeyboardInterrupt):
        first.go()
    store.recover()
    kept = store.kept["run-1"]
    in_hand = progress(kept.journal).in_hand
    assert in_hand is not None
    stored, writer, _ = store.reopen("run-1")
    assert [event.trial for event in kept.journal if event.event == "trial-discarded"] == [in_hand]
    done = len(stored.trials)
    again = Experiment(first.plan, first.lab, store=store).go(writer, done=stored.trials)
    assert again[0].id == in_hand
    assert done + len(again) == 4
    assert store.find("run-1").complete
