"""The program that keeps leases, in the shells that hosts have, and in folders where somebody else was."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from lease_places import CLOCK, GUEST, OtherShell, holder, local, place, standing, until

from orchestrator.adapters.leases import Board
from orchestrator.adapters.leases.keeper import Keeper
from orchestrator.errors import HostFault, InputError, UnreachableError

pytestmark = pytest.mark.real

SHELLS = {"dash": ["dash"], "bash": ["bash"], "bash as sh": ["bash", "--posix"], "busybox": ["busybox", "sh"]}


@pytest.fixture(params=SHELLS)
def shell(request: pytest.FixtureRequest) -> Iterator[OtherShell]:
    argv = SHELLS[request.param]
    if shutil.which(argv[0]) is None:
        pytest.skip(f"{argv[0]} is not installed")
    made = OtherShell(argv)
    yield made
    made.close()


def test_leases_live_and_end_in_every_shell(shell: OtherShell, tmp_path: Path) -> None:
    folder = tmp_path / "with a blank" / "leases"
    first, second = holder(folder, log_in=lambda: shell, beat_s=0.05), holder(folder)
    first.take("run-1", 'a title with "quotes", a \\ and a line\nend, déjà vu', share_host=False)
    os.utime(folder / "host", (CLOCK.now() - 100,) * 2)
    with pytest.raises(UnreachableError, match=r"is in use"):
        second.take("run-2", "not now", share_host=False)
    assert standing(folder)["host"].title == 'a title with "quotes", a \\ and a line\nend, déjà vu'
    until(lambda: standing(folder)["host"].silent_s < 60)  # a heartbeat comes
    assert first.release() is None
    assert list(folder.iterdir()) == []
    second.take("run-2", "now", share_host=True)
    second.release()


def test_a_break_takes_one_lease_and_never_the_next_in_every_shell(shell: OtherShell, tmp_path: Path) -> None:
    keeper = Keeper(shell, str(tmp_path), CLOCK)
    assert keeper.ask("take", "host", "aa", '{"token": "aa"}') == ["taken"]
    assert keeper.ask("take", "host", "bb", '{"token": "bb"}') == ["there"]
    assert keeper.ask("break", "host", "bb") == ["changed"]
    assert keeper.ask("break", "host", "aa") == ["broken"]
    assert keeper.ask("beat") == ["lost host"]
    assert keeper.ask("take", "host", "cc", '{"token": "cc"}') == ["taken"]
    assert keeper.ask("break", "host", "aa") == ["changed"]
    assert keeper.ask("drop", "host") == ["dropped"]
    assert list(tmp_path.iterdir()) == []
    keeper.close()


def test_of_a_break_and_a_return_at_one_moment_each_takes_one_lease_only(shell: OtherShell, tmp_path: Path) -> None:
    """Each step of the one is done here by hand, as it stands while the other begins."""
    keeper = Keeper(shell, str(tmp_path), CLOCK)
    keeper.ask("take", "host", "aa", '{"token": "aa"}')
    (tmp_path / ".host.aa.0").rename(tmp_path / ".host.aa.broken")  # somebody is about to break it
    assert keeper.ask("drop", "host") == ["dropped"]
    assert (tmp_path / "host").exists(), "what stands there is taken away by whoever breaks it"
    assert keeper.ask("break", "host", "aa") == ["broken"], "unless he died at it"
    assert list(tmp_path.iterdir()) == []
    keeper.ask("take", "host", "aa", '{"token": "aa"}')
    (tmp_path / ".host.aa.0").rename(tmp_path / ".host.aa.dropped")  # its holder died while giving it back
    assert keeper.ask("break", "host", "aa") == ["broken"]
    assert list(tmp_path.iterdir()) == []
    keeper.close()


def test_a_file_without_content_can_be_broken(shell: OtherShell, tmp_path: Path) -> None:
    (tmp_path / "host").touch()
    Board(place(tmp_path, lambda: shell), CLOCK).break_one("host", even_if_held=True)
    assert not (tmp_path / "host").exists()


def test_what_is_no_lease_is_survived_and_a_lease_of_nobody_is_respected(shell: OtherShell, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "guest-fifo")  # whoever read it would wait for ever
    (tmp_path / "guest-folder").mkdir()
    (tmp_path / "guest-link").symlink_to("/etc/passwd")
    (tmp_path / "guest-with\na line end").write_text("{}")
    (tmp_path / "guest-binary").write_bytes(bytes(range(256)) * 1000)
    (tmp_path / "host").write_text('["no", "mapping"]\n')
    leases = holder(tmp_path, log_in=lambda: shell)
    assert [lease.name for lease in leases.look()] == ["host"]
    with pytest.raises(UnreachableError, match=r"host bench-1 is in use.*somebody whom the lease does not name"):
        leases.take("run-1", "the first", share_host=False)
    board = Board(place(tmp_path, lambda: shell), CLOCK)
    assert board.break_one("host", even_if_held=True).owner == ""
    assert not (tmp_path / "host").exists()
    (tmp_path / GUEST).mkdir()
    with pytest.raises(UnreachableError, match=f"{GUEST} is there and is no lease; move it away"):
        leases.take("run-1", "the first", share_host=False)
    assert not (tmp_path / "host").exists()


def test_a_folder_that_cannot_be_used_is_named_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(HostFault, match=r"file, cannot be written to .*leases: under the host in the lab"):
        Keeper.begin(local, str(tmp_path / "file"), CLOCK)
    with pytest.raises(UnreachableError, match=r"could not be told, so nothing was changed"):
        holder(tmp_path / "file").take("run-1", "nowhere", share_host=False)


def test_what_a_killed_holder_left_between_two_steps_is_swept_once_it_is_old(tmp_path: Path) -> None:
    old, fresh = tmp_path / ".host.aa.0", tmp_path / ".host.bb.0"
    old.write_text("{}")
    fresh.write_text("{}")
    os.utime(old, (CLOCK.now() - 3 * 86400,) * 2)
    leases = holder(tmp_path)
    leases.take("run-1", "sweeps", share_host=False)
    leases.release()
    assert [path.name for path in tmp_path.iterdir()] == [fresh.name]


@pytest.fixture
def open_place() -> Iterator[Path]:
    """A folder that other accounts can come to: pytest's own are closed to them."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.mark.skipif(os.getuid() != 0, reason="only root can log in as somebody else without a key")
def test_accounts_of_one_host_respect_each_others_leases_and_cannot_break_them(open_place: Path) -> None:
    folder = open_place / "leases"
    logins = [
        OtherShell(["setpriv", f"--reuid={uid}", f"--regid={uid}", "--clear-groups", "sh"]) for uid in (65533, 65534)
    ]
    first, second = (holder(folder, log_in=lambda login=login: login) for login in logins)  # type: ignore[misc]
    holder(folder).look()  # makes the folder
    first.take("run-1", "of one account", share_host=False)
    with pytest.raises(UnreachableError, match=r"host bench-1 is in use"):
        second.take("run-2", "of another", share_host=False)
    with pytest.raises(
        InputError, match=r"its file is (65533|UNKNOWN)'s there, and only that user or root can remove it"
    ):
        Board(place(folder, lambda: logins[1]), CLOCK).break_one("host", even_if_held=True)
    assert set(standing(folder)) == {"host", GUEST}
    first.leave()
    with pytest.raises(UnreachableError, match=r"a lease of this run's own could not be taken over: its file is"):
        second.take("run-1", "the same run as another account", share_host=False)
    assert Board(place(folder), CLOCK).break_one("host", even_if_held=False).run == "run-1"
    for login in logins:
        login.close()
