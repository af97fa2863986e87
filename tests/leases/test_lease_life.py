"""Leases of holders that live, freeze, are killed, lose their line or are broken by somebody: on real processes."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from lease_places import CLOCK, GUEST, KeptLogin, holder, local, place, process, standing, until
from pytest_mock import MockerFixture

from orchestrator.adapters.leases import Board
from orchestrator.adapters.leases.keeper import Keeper
from orchestrator.adapters.local_shell import LocalProcess, LocalShell
from orchestrator.engine.ports import Shell
from orchestrator.errors import GuestFault, HostFault, InputError, UnreachableError

pytestmark = pytest.mark.real


def age(path: Path, seconds: float) -> None:
    """Let a lease's last heartbeat lie so long ago."""
    os.utime(path, (CLOCK.now() - seconds,) * 2)


def test_a_holder_that_is_killed_leaves_an_abandoned_lease_and_no_process(tmp_path: Path) -> None:
    with process(tmp_path) as child:
        assert {name: lease.state for name, lease in standing(tmp_path).items()} == {"host": "held", GUEST: "held"}
        child.kill()
        until(lambda: {lease.state for lease in standing(tmp_path).values()} == {"abandoned"})
        until(lambda: not keepers_in(tmp_path))


def test_a_holder_that_is_stopped_goes_stale_and_one_that_goes_on_is_held_again(tmp_path: Path) -> None:
    observer = holder(tmp_path, stale_s=1.9)
    with process(tmp_path, beat_s=0.1) as child:
        child.send_signal(signal.SIGSTOP)
        until(lambda: {lease.state for lease in observer.look()} == {"stale"})
        with pytest.raises(UnreachableError, match=r"not heard of for .* Make sure that it is over.*--break host"):
            observer.take("run-2", "would have it", share_host=False)
        child.send_signal(signal.SIGCONT)
        until(lambda: {lease.state for lease in observer.look()} == {"held"})


def test_a_lease_is_stale_once_its_holder_was_silent_for_a_minute_and_only_then(tmp_path: Path) -> None:
    leases = holder(tmp_path)
    leases.take("run-1", "a long night", share_host=False)
    for silent_s, state in ((55, "held"), (65, "stale"), (-3600, "held")):
        age(tmp_path / "host", silent_s)
        lease = standing(tmp_path)["host"]
        assert lease.state == state
        assert abs(lease.silent_s - max(silent_s, 0)) < 5
    leases.release()


def test_a_lease_that_is_broken_is_noticed_and_its_holder_takes_nothing_from_the_next(tmp_path: Path) -> None:
    first, second = holder(tmp_path, beat_s=0.05), holder(tmp_path)
    first.take("run-1", "broken later", share_host=False)
    board = Board(place(tmp_path), CLOCK)
    for name in ("host", GUEST):
        assert board.break_one(name, even_if_held=True).run == "run-1"
    second.take("run-2", "the next", share_host=False)
    until(lambda: first.lost is not None)
    assert "the lease on host bench-1 was broken or removed" in str(first.lost)
    assert first.release() is None
    assert {name: lease.run for name, lease in standing(tmp_path).items()} == {"host": "run-2", GUEST: "run-2"}
    assert second.lost is None
    second.release()
    assert list(tmp_path.iterdir()) == []


def test_a_lease_that_was_removed_by_hand_is_noticed(tmp_path: Path) -> None:
    leases = holder(tmp_path, beat_s=0.05)
    leases.take("run-1", "removed later", share_host=False)
    (tmp_path / GUEST).unlink()
    until(lambda: leases.lost is not None)
    assert "guest bookings-1 on host bench-1 was broken or removed by somebody" in str(leases.lost)
    leases.release()
    assert list(tmp_path.iterdir()) == []


def test_only_a_dead_runs_lease_is_broken_unless_that_is_insisted_on(tmp_path: Path) -> None:
    leases, board = holder(tmp_path), Board(place(tmp_path), CLOCK)
    leases.take("run-1", "alive", share_host=False)
    with pytest.raises(
        InputError, match=r"is held by .* for run run-1 .* ask its owner first; then add --even-if-held"
    ):
        board.break_one("host", even_if_held=False)
    with pytest.raises(InputError, match=r"no lease 'hots' on host bench-1; there are: guest-here-bookings-1, host"):
        board.break_one("hots", even_if_held=False)
    leases.leave()
    assert board.break_one("host", even_if_held=False).state == "abandoned"
    assert set(standing(tmp_path)) == {GUEST}


def test_a_run_takes_over_what_it_left_itself_when_it_was_killed_and_says_so(tmp_path: Path) -> None:
    with process(tmp_path, run="run-1") as child:
        again = holder(tmp_path)
        with pytest.raises(UnreachableError, match=r"is in use"):
            again.take("run-1", "while the other one still runs", share_host=False)
        child.kill()
        child.wait()
    with pytest.raises(UnreachableError, match=r"ended without giving it back.*trialbed resume run-1"):
        again.take("run-2", "another run", share_host=False)
    notices = again.take("run-1", "the same run", share_host=False)
    assert [("was taken over" in notice, "run's" in notice) for notice in notices] == [(True, True)] * 2
    assert {lease.pid for lease in standing(tmp_path).values()} == {os.getpid()}
    again.release()


def test_a_run_that_shares_leaves_no_lease_of_its_earlier_self(tmp_path: Path) -> None:
    first, again = holder(tmp_path), holder(tmp_path)
    first.take("run-1", "sharing", share_host=True)
    first.leave()
    again.take("run-1", "sharing", share_host=True)
    again.release()
    assert list(tmp_path.iterdir()) == []


class Fragile:
    """Logins on this machine that can be cut, or refused."""

    def __init__(self) -> None:
        self.shells: list[LocalShell] = []
        self.down = False
        self.fault: Exception = GuestFault("no answer")
        self.refused = 0

    def __call__(self) -> Shell:
        if self.down:
            self.refused += 1
            raise self.fault
        self.shells.append(LocalShell(CLOCK, Path("/")))
        return self.shells[-1]

    def cut(self) -> None:
        self.shells[-1].close()


def test_a_line_that_breaks_is_opened_again_and_the_lease_kept(tmp_path: Path) -> None:
    fragile = Fragile()
    leases = holder(tmp_path, log_in=fragile, beat_s=0.05)
    leases.take("run-1", "over a bad line", share_host=False)
    fragile.cut()
    age(tmp_path / "host", 1000)
    until(lambda: standing(tmp_path)["host"].state == "held")
    assert leases.lost is None
    fragile.cut()
    assert leases.release() is None
    assert list(tmp_path.iterdir()) == []


def test_a_heartbeat_that_fails_for_whatever_reason_is_not_the_last(tmp_path: Path) -> None:
    fragile = Fragile()
    leases = holder(tmp_path, log_in=fragile, beat_s=0.05)
    leases.take("run-1", "over a bad line", share_host=False)
    fragile.down, fragile.fault = True, RuntimeError("a library's own")
    fragile.cut()
    until(lambda: fragile.refused > 1)
    fragile.down = False
    until(lambda: standing(tmp_path)["host"].state == "held")
    assert leases.release() is None


def test_a_look_that_is_answered_too_late_costs_no_lease(tmp_path: Path, mocker: MockerFixture) -> None:
    """What is left of that answer is not taken for what a heartbeat says."""
    shell = local()
    leases = holder(tmp_path, log_in=lambda: KeptLogin(shell), beat_s=0.2)
    leases.take("run-1", "on a slow host", share_host=False)
    hears = mocker.patch.object(LocalProcess, "wait_line", autospec=True, side_effect=lambda _process, _wait_s: None)
    with pytest.raises(HostFault, match="gave no answer in time"):
        leases.look()
    mocker.stop(hears)
    age(tmp_path / "host", 1000)
    until(lambda: standing(tmp_path)["host"].state == "held")  # a heartbeat came
    assert leases.lost is None
    assert leases.release() is None
    assert list(tmp_path.iterdir()) == []


def test_a_lease_that_changed_hands_while_the_line_was_down_is_noticed(tmp_path: Path) -> None:
    fragile = Fragile()
    leases, other = holder(tmp_path, log_in=fragile, beat_s=0.05), holder(tmp_path)
    leases.take("run-1", "over a bad line", share_host=False)
    fragile.down = True
    fragile.cut()
    board = Board(place(tmp_path), CLOCK)
    for name in ("host", GUEST):
        board.break_one(name, even_if_held=True)
    other.take("run-2", "the next", share_host=False)
    fragile.down = False
    until(lambda: leases.lost is not None)
    assert "is held now by" in str(leases.lost)
    assert "run-2" in str(leases.lost)
    leases.release()
    assert other.lost is None
    assert {lease.run for lease in standing(tmp_path).values()} == {"run-2"}
    other.release()


def test_a_lease_that_cannot_be_given_back_is_told_with_what_to_do(tmp_path: Path) -> None:
    fragile = Fragile()
    leases = holder(tmp_path, log_in=fragile)
    leases.take("run-1", "over a bad line", share_host=False)
    fragile.down = True
    fragile.cut()
    trouble = leases.release()
    assert "could not be given back (no answer)" in str(trouble)
    assert "trialbed leases LAB --host bench-1 --break host" in str(trouble)
    assert leases.release() is None


def test_the_late_end_of_an_old_line_does_not_mark_a_lease_that_goes_on_over_a_new_one(tmp_path: Path) -> None:
    shell = KeptLogin(local())
    old, new = (Keeper(shell, str(tmp_path), CLOCK) for _ in range(2))
    assert old.ask("take", "host", "token", '{"token": "token"}') == ["taken"]
    assert new.ask("again", "host", "token", "1") == ["held"]
    assert old.ask("beat") == ["lost host"]
    old.close()
    assert standing(tmp_path)["host"].state == "held"
    assert new.ask("beat") == ["held host"]
    new.close()
    assert standing(tmp_path)["host"].state == "abandoned"


def keepers_in(folder: Path) -> list[int]:
    """Processes that were given this folder as an argument of their own."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            words = (entry / "cmdline").read_bytes().split(b"\0") if entry.name.isdecimal() else []
        except OSError:
            continue
        if words[:1] == [b"/bin/sh"] and str(folder).encode() in words:
            found.append(int(entry.name))
    return found
