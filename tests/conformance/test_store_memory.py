"""The store in memory keeps the promises of a store, and crashes when it is told to."""

from __future__ import annotations

import pytest

from orchestrator.core.record.journal import Event
from orchestrator.errors import StoreError
from orchestrator.testing.conformance_store import check_store, run_record, trial_data, trial_record
from orchestrator.testing.memory_store import MemoryStore, MemoryWriter

EVENT = Event(time_utc="2026-03-01T22:00:00Z", event="run-started")


def test_memory_keeps_the_promises_of_a_store() -> None:
    check_store(MemoryStore)


class Forgetful(MemoryStore):
    def create(self, record, inputs):  # type: ignore[no-untyped-def]
        return super().create(record, {name: content.replace(b"\r", b"") for name, content in inputs.items()})


def test_the_check_can_fail() -> None:
    with pytest.raises(AssertionError, match="byte for byte"):
        check_store(Forgetful)


@pytest.mark.parametrize("writes", range(4))
def test_so_many_writes_are_kept_and_no_more(writes: int) -> None:
    store = MemoryStore(crash_after=writes)
    writer = store.create(run_record("ferry"), {})

    def all_writes() -> None:
        writer.append(EVENT)
        writer.keep_trial(trial_record(1), trial_data())
        writer.append(EVENT)
        writer.seal()

    with pytest.raises(KeyboardInterrupt):
        all_writes()
    kept = store.kept["ferry"]
    assert (len(kept.journal), len(kept.trials), kept.sealed) == [
        (0, 0, False),
        (1, 0, False),
        (1, 1, False),
        (2, 1, False),
    ][writes]
    with pytest.raises(KeyboardInterrupt):
        writer.append(EVENT)  # a crash lasts
    store.recover()
    writer.append(EVENT)
    assert len(kept.journal) == [1, 2, 2, 3][writes]


def test_the_error_is_ones_own() -> None:
    store = MemoryStore(crash_after=0, crash=lambda: StoreError("the disk is full"))
    with pytest.raises(StoreError, match="full"):
        store.create(run_record("ferry"), {}).append(EVENT)


def test_what_is_kept_does_not_change_with_what_was_given() -> None:
    inputs = {"plan.yaml": b"a"}
    store = MemoryStore()
    writer: MemoryWriter = store.create(run_record("ferry"), inputs)
    inputs["plan.yaml"] = b"b"
    assert store.reopen(writer.id)[2] == {"plan.yaml": b"a"}
