"""Archives for the kernel, read back by GNU cpio or busybox and by a reader written from the kernel's documentation."""

from __future__ import annotations

import shutil
import stat
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from newc_reader import read

from orchestrator.sandbox.archive import Entry, character_device, file, folder, link, newc

TREE = {
    "usr/bin/work": file(b"\x7fELF and more", 0o755),
    "etc/motd": file(b"odd"),
    "etc/empty": file(b""),
    "init": link("usr/bin/work"),
    "dev/console": character_device(5, 1),
    "tmp": folder(0o1777),
}


def outside_readers() -> list[list[str]]:
    """GNU cpio, and busybox's."""
    found = [reader for reader in (["cpio"], ["busybox", "cpio"]) if shutil.which(reader[0])]
    if not found:
        pytest.skip("neither cpio nor busybox is installed")
    return found


def ask_each(*options: str, archive: bytes) -> list[str]:
    answers = []
    for reader in outside_readers():
        done = subprocess.run([*reader, *options], input=archive, capture_output=True, check=True)
        answers.append(done.stdout.decode())
    return answers


def test_other_programs_list_what_was_written() -> None:
    for listing in ask_each("-t", archive=newc(TREE)):
        assert " ".join(listing.split()) == "dev dev/console etc etc/empty etc/motd init tmp usr usr/bin usr/bin/work"


def test_other_programs_see_types_and_modes() -> None:
    for listing in ask_each("-tv", archive=newc(TREE)):
        lines = {line.split(" -> ")[0].split()[-1]: line for line in listing.splitlines()}
        assert lines["usr/bin/work"].startswith("-rwxr-xr-x")
        assert lines["etc/motd"].startswith("-rw-r--r--")
        assert lines["tmp"].startswith("drwxrwxrwt")
        assert lines["init"].endswith("init -> usr/bin/work")
        assert lines["dev/console"].startswith("crw-------")


def test_other_programs_unpack_the_same_files(tmp_path: Path) -> None:
    files = {path: entry for path, entry in TREE.items() if not stat.S_ISCHR(entry.mode)}
    for number, reader in enumerate(outside_readers()):
        place = tmp_path / str(number)
        place.mkdir()
        subprocess.run([*reader, "-id"], input=newc(files), cwd=place, capture_output=True, check=True)
        assert (place / "usr/bin/work").read_bytes() == TREE["usr/bin/work"].content
        assert stat.S_IMODE((place / "usr/bin/work").stat().st_mode) == 0o755
        assert (place / "etc/empty").read_bytes() == b""
        assert (place / "init").readlink() == Path("usr/bin/work")


def test_the_header_is_that_of_the_documentation() -> None:
    (entry,) = read(newc({"motd": file(b"Good day", 0o640)}))
    fields = entry.fields
    assert (entry.name, entry.data) == ("motd", b"Good day")
    assert fields["c_mode"] == 0o100640
    assert (fields["c_uid"], fields["c_gid"], fields["c_nlink"], fields["c_filesize"]) == (0, 0, 1, 8)
    assert fields["c_namesize"] == len("motd") + 1
    assert fields["c_chksum"] == 0  # "c_chksum ... should be zero when the magic is 070701"


def test_device_numbers_are_those_of_the_kernels_list() -> None:
    """Kernel documentation, admin-guide/devices: 5, 1 is /dev/console and 1, 3 is /dev/null."""
    tree = {"console": character_device(5, 1), "null": character_device(1, 3, 0o666)}
    found = {entry.name: (entry.fields["c_rmaj"], entry.fields["c_rmin"]) for entry in read(newc(tree))}
    assert found == {"console": (5, 1), "null": (1, 3)}


def test_numbers_of_inodes_differ_so_that_no_file_is_taken_for_a_hard_link() -> None:
    numbers = [entry.fields["c_ino"] for entry in read(newc(TREE))]
    assert len(set(numbers)) == len(numbers)


def test_the_same_tree_gives_the_same_bytes_in_any_order() -> None:
    assert newc(TREE) == newc(dict(reversed(TREE.items())))
    assert newc(TREE) != newc({**TREE, "etc/motd": file(b"other")})


def test_one_archive_may_follow_another() -> None:
    both = newc(TREE) + newc({"etc/motd": file(b"later")})
    assert [entry.data for entry in read(both) if entry.name == "etc/motd"] == [b"odd", b"later"]


names = st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=12).filter(
    lambda name: name not in {".", "..", "TRAILER!!!"}
)


@given(st.dictionaries(names, st.binary(max_size=40), max_size=8))
def test_whatever_is_written_is_read_back(files: dict[str, bytes]) -> None:
    archive = newc({name: file(content) for name, content in files.items()})
    assert {entry.name: entry.data for entry in read(archive)} == files
    assert len(archive) % 4 == 0


@pytest.mark.parametrize(
    "path", ["/etc/passwd", "etc//passwd", "./init", "../up", "a/../b", "TRAILER!!!", "a\0b", "a/"]
)
def test_paths_that_a_kernel_would_misread_are_refused(path: str) -> None:
    with pytest.raises(ValueError, match=r"path below the root|can be called"):
        newc({path: file(b"")})


def test_nothing_lies_below_a_file() -> None:
    with pytest.raises(ValueError, match="is no folder"):
        newc({"etc": file(b""), "etc/passwd": file(b"")})


def test_entries_carry_their_type() -> None:
    assert stat.S_ISLNK(link("x").mode)
    assert stat.S_ISDIR(folder().mode)
    assert Entry(stat.S_IFREG | 0o644, b"x") == file(b"x")
