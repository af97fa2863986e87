"""A sandbox's folder: what is refused, who may read what, and that nothing else is ever removed."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest
from sandbox_places import made_layout, short_folder

from orchestrator.errors import InputError
from orchestrator.sandbox.accounts import Account, guest_account, tool_account
from orchestrator.sandbox.folders import disk_used, prepare, remove, strangers
from orchestrator.sandbox.layout import SOCKET_PATH_BYTES, default_cache, default_folder, layout_of


def mode(place: Path) -> int:
    return stat.S_IMODE(place.stat().st_mode)


def test_the_limit_of_a_sockets_path_is_the_kernels() -> None:
    with short_folder() as folder:
        room = SOCKET_PATH_BYTES - len(f"{folder}/")
        with socket.socket(socket.AF_UNIX) as longest:
            longest.bind(f"{folder}/{'x' * room}")
        with socket.socket(socket.AF_UNIX) as longer, pytest.raises(OSError, match="too long"):
            longer.bind(f"{folder}/{'x' * (room + 1)}")


def test_a_path_too_long_for_its_sockets_is_refused_with_by_how_much() -> None:
    tool = tool_account()
    fits = Path("/srv") / ("x" * 44)
    layout_of(fits, tool)
    with pytest.raises(InputError, match=r"1 characters too long.*107 bytes.*--folder"):
        layout_of(Path(f"{fits}x"), tool)


@pytest.mark.parametrize("name", ["a b", 'a"b', "a,b", "a%b", "ä", "a\nb", "a'b", "a#b"])
def test_a_path_that_some_configuration_would_misread_is_refused(place: Path, name: str) -> None:
    with pytest.raises(InputError, match="may hold letters"):
        layout_of(place / name, tool_account())


def test_a_file_is_no_folder(place: Path) -> None:
    (place / "file").touch()
    with pytest.raises(InputError, match="is not a folder"):
        layout_of(place / "file", tool_account())
    with pytest.raises(InputError, match="cannot be"):
        prepare(layout_of(place / "file/s", tool_account()), tool_account(), tool_account())


def test_another_users_folder_is_refused(place: Path) -> None:
    (place / "s").mkdir()
    somebody = Account("somebody", os.geteuid() + 1, os.getegid(), "/bin/sh")
    with pytest.raises(InputError, match=f"belongs to {tool_account().name}, not to somebody"):
        layout_of(place / "s", somebody)


def test_everything_is_closed_to_others(place: Path) -> None:
    layout = made_layout(place)
    assert mode(layout.root) == 0o700
    assert {mode(place) for place in layout.root.iterdir()} == {0o700}


def test_guests_of_another_user_may_pass_through_but_read_neither_keys_nor_state(place: Path) -> None:
    """The other user is root's case; an ordinary user's guests are that user's own."""
    tool, guests = tool_account(), guest_account(tool_account())
    assert guests.uid != 0
    layout = layout_of(place / "deep/s", tool)
    assert prepare(layout, tool, guests) == [place / "deep", place / "deep/s"]
    assert mode(layout.root) == (0o711 if tool.uid == 0 else 0o700)
    owners = {part.name: part.stat().st_uid for part in layout.root.iterdir()}
    assert {owners.pop(name) for name in ("images", "keys", "sshd", "xml")} == {tool.uid}
    assert set(owners.values()) == {guests.uid}
    assert mode(layout.images) == mode(layout.root), "the images are not theirs to exchange, but to be read"
    assert {mode(part) for part in layout.root.iterdir() if part != layout.images} == {0o700}


def test_it_is_told_which_folder_keeps_its_guests_out(place: Path) -> None:
    closed = place / "closed"
    closed.mkdir(mode=0o700)
    somebody = Account("somebody", os.geteuid() + 1, os.getegid() + 1, "/bin/sh")
    place.chmod(0o755)
    with pytest.raises(
        InputError, match=r"cannot pass through .*; choose another folder, for example --folder /var/lib"
    ):
        prepare(layout_of(closed / "s", tool_account()), tool_account(), somebody)
    assert not (closed / "s").exists()


def test_only_what_a_sandbox_makes_is_removed(place: Path) -> None:
    tool = tool_account()
    layout = layout_of(place / "a/b", tool)
    made = prepare(layout, tool, tool)
    layout.state.touch()
    (layout.keys / "identity").touch()
    (layout.root / "mine.txt").touch()
    assert strangers(layout.root) == ["mine.txt"]
    assert remove(layout, made) == ["mine.txt"]
    assert [place.name for place in layout.root.iterdir()] == ["mine.txt"]
    (layout.root / "mine.txt").unlink()
    assert remove(layout, made) == []
    assert not (place / "a").exists()
    assert place.exists()


def test_a_link_out_of_the_folder_is_removed_and_not_followed(place: Path) -> None:
    outside = place / "outside"
    outside.mkdir()
    (outside / "precious").touch()
    layout = made_layout(place)
    (layout.console / "link").symlink_to(outside)
    assert remove(layout, []) == []
    assert (outside / "precious").exists()


def test_the_usual_places_follow_the_base_directory_specification(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names and defaults: XDG Base Directory Specification 0.8."""
    user = Account("mara", 1000, 1000, "/bin/sh")
    monkeypatch.setenv("HOME", str(place))
    for name in ("XDG_STATE_HOME", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    assert default_folder(user) == place / ".local/state/trialbed/sandbox"
    assert default_cache() == place / ".cache/trialbed"
    assert default_folder(Account("root", 0, 0, "/bin/sh")) == Path("/var/lib/trialbed/sandbox")
    monkeypatch.setenv("XDG_STATE_HOME", "/srv/state")
    monkeypatch.setenv("XDG_CACHE_HOME", "/srv/cache")
    assert default_folder(user) == Path("/srv/state/trialbed/sandbox")
    assert default_cache() == Path("/srv/cache/trialbed")


def test_disk_use_counts_blocks(place: Path) -> None:
    assert disk_used(place / "none") == 0
    (place / "file").write_bytes(b"x" * 100_000)
    assert disk_used(place) >= 100_000
