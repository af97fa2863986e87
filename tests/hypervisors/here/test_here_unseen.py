"""The book of CPU time that was seen, by hand-worked figures."""

from __future__ import annotations

from orchestrator.hypervisors.here.unseen import TOLERANCE_NS, Ledger

MS = 1_000_000


def test_what_was_seen_is_not_counted_again():
    ledger = Ledger()
    ledger.opened(7, 1)
    ledger.saw(7, 500 * MS)
    assert ledger.unseen(7, 500 * MS) == 0
    assert ledger.unseen(7, 500 * MS + TOLERANCE_NS) == 0


def test_what_was_not_seen_is_told_once():
    ledger = Ledger()
    ledger.opened(7, 1)
    ledger.saw(7, 500 * MS)
    assert ledger.unseen(7, 700 * MS) == 200 * MS
    assert ledger.unseen(7, 700 * MS) == 0


def test_a_child_s_time_comes_to_its_parent_when_it_is_waited_for():
    ledger = Ledger()
    ledger.opened(7, 1)
    ledger.opened(8, 7)
    ledger.saw(8, 400 * MS)
    assert ledger.unseen(7, 0) == 0
    ledger.closed(8)
    assert ledger.unseen(7, 0) == 0  # not waited for yet
    assert ledger.unseen(7, 400 * MS) == 0
    assert ledger.processes == [7]


def test_grandchildren_count_with_the_child():
    ledger = Ledger()
    for pid, parent in ((7, 1), (8, 7), (9, 8)):
        ledger.opened(pid, parent)
    ledger.saw(9, 100 * MS)
    ledger.closed(9)
    assert ledger.unseen(8, 300 * MS) == 200 * MS
    ledger.closed(8)
    assert ledger.unseen(7, 300 * MS) == 0


def test_an_unknown_process_changes_nothing():
    ledger = Ledger()
    ledger.saw(5, 100 * MS)
    ledger.closed(5)
    assert ledger.processes == []
