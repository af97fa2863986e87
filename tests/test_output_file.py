"""A file that was asked for by name: whole or not at all, and never in another's place unasked."""

from __future__ import annotations

import errno
import os
import resource
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from orchestrator.errors import InputError
from orchestrator.output_file import appearing, check


def write(target: Path, content: bytes, *, replacing: bool = False) -> None:
    with appearing(target, replacing=replacing) as file:
        file.write(content)


@pytest.fixture
def room_for_a_kilobyte() -> Iterator[None]:
    """The system refuses to let a file of this process grow beyond that (setrlimit(2))."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, handler)


def test_a_file_is_written_and_nothing_else_is_left(tmp_path: Path) -> None:
    check(tmp_path / "report.html", replacing=False)
    write(tmp_path / "report.html", b"<p>")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("report.html", b"<p>")]


def test_it_can_be_read_back_before_it_has_its_name(tmp_path: Path) -> None:
    with appearing(tmp_path / "bundle.zip", replacing=False) as file:
        file.write(b"all of it")
        file.flush()
        assert Path(file.name).read_bytes() == b"all of it"
        assert not (tmp_path / "bundle.zip").exists()
    assert (tmp_path / "bundle.zip").read_bytes() == b"all of it"


def test_what_is_there_is_kept_unless_it_is_to_be_replaced(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.write_bytes(b"old")
    for refused in (lambda: check(target, replacing=False), lambda: write(target, b"new")):
        with pytest.raises(InputError, match="is there already; give another name with --output, or --replace"):
            refused()
    assert target.read_bytes() == b"old"
    check(target, replacing=True)
    write(target, b"new", replacing=True)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"new"]


def test_a_file_that_appeared_meanwhile_is_kept_where_there_are_no_hard_links(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch("os.link", side_effect=OSError(errno.EPERM, os.strerror(errno.EPERM)))
    write(tmp_path / "first", b"1")
    with pytest.raises(InputError, match="is there already"):
        write(tmp_path / "first", b"2")
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("first", b"1")]


def test_a_folder_or_a_device_is_no_plain_file(tmp_path: Path) -> None:
    for target in (tmp_path, Path("/dev/null")):
        with pytest.raises(InputError, match="is no plain file"):
            check(target, replacing=True)


def test_a_folder_that_is_not_there_is_told_before_anything_is_made(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"there is no folder .*nowhere; make it first"):
        check(tmp_path / "nowhere" / "report.html", replacing=False)


def test_a_name_that_no_disk_takes_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        check(tmp_path / ("x" * 300 + ".html"), replacing=False)


@pytest.mark.usefixtures("room_for_a_kilobyte")
def test_what_finds_no_room_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot be written \(File too large\); choose another place"):
        write(tmp_path / "report.html", b"p" * 4096)
    assert not [*tmp_path.iterdir()]


def test_an_interrupt_leaves_nothing_behind(tmp_path: Path) -> None:
    def interrupted() -> None:
        with appearing(tmp_path / "report.html", replacing=False) as file:
            file.write(b"<p>")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert not [*tmp_path.iterdir()]
