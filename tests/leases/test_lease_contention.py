"""Several who want one host in the same instant, over real logins: the kernel's link(2) decides, and always for one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from lease_places import GUEST, KeptLogin, holder, local, standing
from ssh_machines import Machine

from orchestrator.adapters.leases import HostLeases
from orchestrator.engine.ports import Shell
from orchestrator.errors import UnreachableError

pytestmark = pytest.mark.real

TRIES = 200


@pytest.fixture
def logins(tmp_path: Path) -> Iterator[tuple[Shell, Shell]]:
    """Two logins on one machine, each a connection of its own."""
    (tmp_path / "machine").mkdir()
    machine = Machine(tmp_path / "machine")
    try:
        first, second = machine.login(), machine.login()
        yield KeptLogin(first), KeptLogin(second)
        first.close()
        second.close()
    finally:
        machine.close()


def in_the_same_instant(*tries: Callable[[], object]) -> list[bool]:
    """Who succeeded; each refusal is one of a lease that is in use, and nothing else."""
    start, refusals = threading.Barrier(len(tries)), list[str]()

    def attempt(act: Callable[[], object]) -> bool:
        start.wait(10)
        try:
            act()
        except UnreachableError as refused:
            refusals.append(str(refused))
            return False
        return True

    with ThreadPoolExecutor(len(tries)) as pool:
        won = list(pool.map(attempt, tries))
    assert all("is in use, so nothing was changed" in refusal for refusal in refusals)
    return won


def taker(leases: HostLeases, run: str, *, share_host: bool = False) -> Callable[[], object]:
    return lambda: leases.take(run, "which gets it", share_host=share_host)


def test_of_two_runs_in_the_same_instant_exactly_one_gets_the_host_200_times(
    logins: tuple[Shell, Shell], tmp_path: Path
) -> None:
    folder, wins = tmp_path / "leases", [0, 0]
    for _ in range(TRIES):
        both = [holder(folder, log_in=lambda login=login: login) for login in logins]  # type: ignore[misc]
        won = in_the_same_instant(taker(both[0], "run-a"), taker(both[1], "run-b"))
        assert sorted(won) == [False, True]
        assert f'"run": "run-{"a" if won[0] else "b"}"' in (folder / "host").read_text()
        assert [leases.release() for leases in both] == [None, None]
        wins[won.index(True)] += 1
    assert list(folder.iterdir()) == []
    assert sum(wins) == TRIES


@pytest.mark.parametrize("round_", range(10))
def test_of_one_who_wants_the_host_alone_and_one_who_would_share_exactly_one_gets_it(
    round_: int, tmp_path: Path
) -> None:
    alone, sharing = holder(tmp_path, "guest-here-a"), holder(tmp_path, "guest-here-b")
    order = [taker(alone, "run-a"), taker(sharing, "run-b", share_host=True)][:: 1 if round_ % 2 else -1]
    assert sorted(in_the_same_instant(*order)) == [False, True]
    assert [alone.release(), sharing.release()] == [None, None]
    assert list(tmp_path.iterdir()) == []


def test_runs_that_share_a_host_measure_side_by_side_unless_they_want_one_guest(tmp_path: Path) -> None:
    three = [holder(tmp_path, f"guest-here-{name}") for name in "abb"]
    won = in_the_same_instant(*(taker(leases, "run", share_host=True) for leases in three))
    assert won[0]
    assert sorted(won[1:]) == [False, True]
    assert len(standing(tmp_path)) == 4
    with pytest.raises(UnreachableError, match=r"host bench-1 is in use.*both plans say share-host: true"):
        holder(tmp_path).take("alone", "the whole host", share_host=False)
    assert [leases.release() for leases in three] == [None, None, None]
    assert list(tmp_path.iterdir()) == []


def test_leases_are_taken_together_or_not_at_all(tmp_path: Path) -> None:
    first, second = holder(tmp_path, GUEST), holder(tmp_path, "guest-here-other", GUEST)
    first.take("run-a", "one guest", share_host=True)
    with pytest.raises(UnreachableError, match=r"guest bookings-1 on host bench-1 is in use"):
        second.take("run-b", "two guests", share_host=True)
    assert {lease.run for lease in standing(tmp_path).values()} == {"run-a"}
    assert second.held == ()
    first.release()


def test_every_login_may_be_the_first_and_the_folder_is_open_for_all(tmp_path: Path) -> None:
    leases = holder(tmp_path / "new" / "leases", log_in=local)
    leases.take("run-a", "first of all", share_host=False)
    assert (tmp_path / "new" / "leases").stat().st_mode & 0o7777 == 0o1777
    assert (tmp_path / "new" / "leases" / "host").stat().st_mode & 0o7777 == 0o644
    leases.release()
