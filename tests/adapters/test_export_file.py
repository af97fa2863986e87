"""The file of a report: whole or not at all, never in another's place unasked; and what its name makes of it."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from pytest_mock import MockerFixture

from orchestrator.adapters.report.export import file
from orchestrator.adapters.report.export.formats import FORMATS, Format, format_of
from orchestrator.errors import InputError


def test_a_report_is_written_and_nothing_else_is_left(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    file.check(target, replacing=False)
    file.write(target, b"<p>", replacing=False)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("report.html", b"<p>")]


def test_what_is_there_is_kept_unless_it_is_to_be_replaced(tmp_path: Path) -> None:
    target = tmp_path / "report.html"
    target.write_bytes(b"old")
    for refused in (file.check, lambda target, replacing: file.write(target, b"new", replacing=replacing)):
        with pytest.raises(InputError, match="is there already; give another name with --output, or --replace"):
            refused(target, replacing=False)
    assert target.read_bytes() == b"old"
    file.check(target, replacing=True)
    file.write(target, b"new", replacing=True)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"new"]


def test_a_file_that_appeared_meanwhile_is_kept_where_there_are_no_hard_links(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch("os.link", side_effect=OSError(errno.EPERM, os.strerror(errno.EPERM)))
    file.write(tmp_path / "first", b"1", replacing=False)
    with pytest.raises(InputError, match="is there already"):
        file.write(tmp_path / "first", b"2", replacing=False)
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("first", b"1")]


def test_a_folder_or_a_device_is_no_file_for_a_report(tmp_path: Path) -> None:
    for target in (tmp_path, Path("/dev/null")):
        with pytest.raises(InputError, match="is no plain file"):
            file.check(target, replacing=True)


def test_a_folder_that_is_not_there_is_told_before_anything_is_made(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"there is no folder .*nowhere; make it first"):
        file.check(tmp_path / "nowhere" / "report.html", replacing=False)


def test_a_name_that_no_disk_takes_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        file.check(tmp_path / ("x" * 300 + ".html"), replacing=False)


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, mocker: MockerFixture) -> None:
    mocker.patch("os.fsync", side_effect=OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
    with pytest.raises(InputError, match=r"cannot be written \(No space left on device\); choose another place"):
        file.write(tmp_path / "report.html", b"<p>", replacing=False)
    assert not [*tmp_path.iterdir()]


def test_an_interrupt_leaves_nothing_behind(tmp_path: Path, mocker: MockerFixture) -> None:
    mocker.patch("os.fsync", side_effect=KeyboardInterrupt)
    with pytest.raises(KeyboardInterrupt):
        file.write(tmp_path / "report.html", b"<p>", replacing=False)
    assert not [*tmp_path.iterdir()]


@pytest.mark.parametrize("form", FORMATS)
def test_the_name_says_what_it_is_to_be(form: Format) -> None:
    assert format_of(Path(f"report.{form}"), None) == form
    assert format_of(Path(f"REPORT.{form.upper()}"), form) == form


def test_without_a_name_it_is_a_page_unless_told_otherwise() -> None:
    assert format_of(None, None) == "html"
    assert format_of(None, "pdf") == "pdf"


def test_a_name_without_a_known_suffix_needs_a_format() -> None:
    for name in ("report", "report.txt", "report.html.bak"):
        with pytest.raises(InputError, match=r"ends in none of \.html, \.pdf.*or say with --format"):
            format_of(Path(name), None)
        assert format_of(Path(name), "md") == "md"


def test_a_name_and_a_format_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(InputError, match=r"named as html and --format asks for pdf; name it report\.pdf, or leave"):
        format_of(Path("report.html"), "pdf")
