"""Damaged and hostile bundles: each is refused with one line, and nothing is written anywhere that stays.

What an archive can do to whoever unpacks it: CWE-22 (paths), CWE-59 (links), CWE-409 (bombs), APPNOTE.TXT 6.3.10 (zip),
D. Fifield, A better zip bomb, WOOT 2019 (overlapping entries). What a bag may not be: RFC 8493, section 3.
"""

from __future__ import annotations

import gzip
import io
import json
import math
import os
import re
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from bundle_parts import RUN, Files, archive, archive_of, bagged, packed_run, parts, rewritten, with_central

from orchestrator.adapters.bundle.layout import Limits
from orchestrator.adapters.bundle.reading import opened
from orchestrator.errors import InputError
from orchestrator.wiring import bundles

Make = Callable[[Files], bytes]
CRATE, RECORD, PLAN = "data/ro-crate-metadata.json", "data/run/run.json", "data/run/plan.yaml"
TRIAL = "data/run/trials/0001-one-bookings-t1-b1/trial.json"


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """The files of a bundle that nothing is wrong with."""
    return parts(packed_run(tmp_path_factory.mktemp("good")))


# -------------------------------------------------------------------------------------------- how they are made


def named(name: str, content: bytes = b"x", **entry: Any) -> Make:
    """A good bundle with one more entry."""
    return lambda files: archive_of(
        [(f"{RUN}/{path}", kept, {}) for path, kept in files.items()] + [(name, content, entry)]
    )


def kind(mode: int, content: bytes = b"/etc/passwd", name: str = f"{RUN}/data/extra") -> Make:
    return named(name, content, external_attr=(mode | 0o777) << 16)


def with_files(*, base: str = RUN, **more: bytes) -> Make:
    return lambda files: archive(bagged(files | more), base)


def without(name: str) -> Make:
    return lambda files: archive({path: content for path, content in files.items() if path != name})


def as_given(**changed: bytes) -> Make:
    """A good bundle whose tag files are these, with every other digest made for them."""
    return lambda files: archive(bagged(files, **changed))


def changed(name: str, change: Callable[[Any], Any]) -> Make:
    return lambda files: archive(rewritten(files, name, change))


def replaced(name: str, content: bytes) -> Make:
    return lambda files: archive(bagged(files | {name: content}))


def raw(name: str, change: Callable[[bytes], bytes]) -> Make:
    """One file changed and nothing else."""
    return lambda files: archive(files | {name: change(files[name])})


def info(change: Callable[[str], str]) -> Make:
    return lambda files: archive(bagged(files, bag_info=change(files["bag-info.txt"].decode()).encode()))


def patched(offset: int, form: str, value: int, name: str = PLAN) -> Make:
    return lambda files: with_central(archive(files), f"{RUN}/{name}", offset, form, value)


def zeros(size: int) -> Make:
    """A file of zeros that shrinks a thousandfold."""
    return named(f"{RUN}/data/zeros", bytes(size), compress_type=zipfile.ZIP_DEFLATED)


def overlapping(files: Files) -> bytes:
    """Many names for the same bytes."""
    content = archive(files)
    sums = f"{RUN}/data/run/SHA256SUMS"
    with zipfile.ZipFile(io.BytesIO(content)) as read:
        big = max(read.infolist(), key=lambda entry: entry.file_size)
    for name in files:
        if f"{RUN}/{name}" != sums:
            content = with_central(content, f"{RUN}/{name}", 20, "<I", big.file_size)
            content = with_central(content, f"{RUN}/{name}", 24, "<I", big.file_size)
    return content


def local_name_differs(files: Files) -> bytes:
    content = archive(files)
    at = content.index(f"{RUN}/{PLAN}".encode())
    return content[:at] + f"{RUN}/{PLAN}".upper().encode() + content[at + len(f"{RUN}/{PLAN}") :]


def flipped(files: Files) -> bytes:
    """One bit of the disk: the archive's own checksum finds it."""
    content = bytearray(archive(files))
    content[content.index(files[RECORD]) + 20] ^= 1
    return bytes(content)


def entity(change: Callable[[list[dict[str, Any]]], Any]) -> Make:
    return changed(CRATE, lambda document: change(document["@graph"]) and None)


def record(key: str, value: Any) -> Make:
    return changed(RECORD, lambda document: document.__setitem__(key, value))


def size(key: str, value: Any) -> Make:
    return changed(RECORD, lambda document: document["plan"]["shapes"][0].__setitem__(key, value))


def decide(key: str, value: Any) -> Make:
    return changed(RECORD, lambda document: document["plan"]["decide"].__setitem__(key, value))


def planned(key: str, value: Any) -> Make:
    return changed(RECORD, lambda document: document["trials"][0].__setitem__(key, value))


#: What is wrong, how it is made, and what the one line says.
NO_ZIP: list[tuple[str, Make, str]] = [
    ("empty", lambda _: b"", "no zip archive"),
    ("text", lambda _: b"ferry bookings\n" * 9, "no zip archive"),
    ("another kind of archive", lambda files: gzip.compress(archive(files), 1), "no zip archive"),
    ("half", lambda files: archive(files)[: len(archive(files)) // 2], "no zip archive"),
    ("its last bytes lost", lambda files: archive(files)[:-9], "no zip archive"),
    ("no entries", lambda _: archive({}), "holds nothing"),
    ("a program before it", lambda files: b"#!/bin/sh\nexit 0\n" + archive(files), "other bytes before"),
    ("one bit flipped", flipped, "no zip archive that can be read .*CRC"),
    ("two names for one entry", local_name_differs, "no zip archive"),
]
PATHS: list[tuple[str, Make, str]] = [
    ("out of the archive", named("../evil"), "leads out"),
    ("out of its folder", named(f"{RUN}/data/../../../evil"), "leads out"),
    ("out, with backslashes", named("..\\..\\evil"), "leads out"),
    ("absolute", named("/etc/cron.d/evil"), "absolute path"),
    ("with a drive", named("C:\\evil"), "absolute path"),
    ("backslashes inside", named(f"{RUN}/data\\run\\evil"), "characters or parts"),
    ("an empty part", named(f"{RUN}//data/x"), "characters or parts"),
    ("a dot for a part", named(f"{RUN}/./data/x"), "characters or parts"),
    ("cut at a zero byte", named(f"{RUN}/data/run/plan.yaml\0.txt"), "characters or parts"),
    ("a line break", named(f"{RUN}/data/a\nb"), "characters or parts"),
    ("a terminal sequence", named(f"{RUN}/data/\x1b[2Jx"), r"characters or parts .*\\x1b"),
    ("text turned round", named(f"{RUN}/data/\u202egnp.exe"), "characters or parts"),
    ("letters with accents", named(f"{RUN}/data/r\u00e9sum\u00e9"), "characters or parts"),
    ("percent signs", named(f"{RUN}/data/run/inputs/%2e%2e%2fx"), "characters or parts"),
    ("another stream of a file", named(f"{RUN}/data/x:evil"), "characters or parts"),
    ("a blank at its end", named(f"{RUN}/data/x "), "characters or parts"),
    ("a name of 300 letters", named(f"{RUN}/data/{'x' * 300}"), "characters or parts"),
    ("a path of 5,000 letters", named(f"{RUN}/data/{'x/' * 2500}x"), "path of 5"),
    ("the same name twice", named(f"{RUN}/{PLAN}"), "twice"),
    ("another case", named(f"{RUN}/data/run/Plan.yaml"), "one on some disks"),
    ("another case of a folder", named(f"{RUN}/data/Run/x"), "one on some disks"),
    ("a file that is a folder", named(f"{RUN}/data/run"), "as a file and as a folder"),
    ("beside its folder", named("README"), "beside its folder"),
    ("two folders", named("other/data/x"), "holds 2 folders"),
    ("a folder no run is called", with_files(base=".hidden"), "which no run is called"),
    ("a folder that means the youngest run", with_files(base="last"), "which no run is called"),
    ("a folder that means the baselines", with_files(base="Baselines"), "which no run is called"),
    ("no part of a bundle", named(f"{RUN}/setup.py"), "no part of a bundle"),
]
ENTRIES: list[tuple[str, Make, str]] = [
    ("a link", kind(stat.S_IFLNK), "a link"),
    ("a link for a file of the run", kind(stat.S_IFLNK, name=f"{RUN}/data/run/trials"), "a link"),
    ("a pipe", kind(stat.S_IFIFO), "no file"),
    ("a device", kind(stat.S_IFCHR), "no file"),
    ("a disk", kind(stat.S_IFBLK), "no file"),
    ("a socket", kind(stat.S_IFSOCK), "no file"),
    ("a folder by its mode alone", kind(stat.S_IFDIR), "both that it is a file and that it is a folder"),
    ("a folder with content", named(f"{RUN}/data/more/", b"content", external_attr=0), "folder with content"),
    ("encrypted", patched(8, "<H", 0x1), "encrypted"),
    ("encrypted with a certificate", patched(8, "<H", 0x41), "encrypted"),
    ("an unknown compression", patched(10, "<H", 99), "method 99"),
    ("a slow compression", named(f"{RUN}/data/x", b"x" * 99, compress_type=zipfile.ZIP_LZMA), "method 14"),
    ("a size that lies, larger", patched(24, "<I", 2**20), "no zip archive|holds less"),
    ("a size that lies, smaller", patched(24, "<I", 3), "no zip archive .*CRC|holds more"),
    ("a bomb", zeros(30 * 2**20), "blow up"),
    ("a file of terabytes", patched(24, "<I", 2**32 - 2), "too large for a file"),
    ("overlapping entries", overlapping, "overlap|blow up"),
]
BAGS: list[tuple[str, Make, str]] = [
    *((f"no {name}", without(name), f"lacks {name}") for name in ("bagit.txt", "bag-info.txt", CRATE, RECORD)),
    ("no manifest", without("manifest-sha256.txt"), "lacks manifest"),
    ("no seal", without("data/run/SHA256SUMS"), "lacks .*SHA256SUMS"),
    ("files to be fetched", named(f"{RUN}/fetch.txt", b"http://192.0.2.1/x 1 data/x\n"), "fetched"),
    ("a file nobody vouches for", named(f"{RUN}/data/run/inputs/load/evil.sh"), "knows nothing"),
    ("a payload file lost", without("data/verdict.txt"), "lacks 'data/verdict.txt', which manifest"),
    ("a payload file changed", raw(PLAN, lambda content: content + b"\n"), "Oxum|was changed"),
    (
        "the same length, other bytes",
        raw(PLAN, lambda content: content[::-1]),
        "damaged or was changed: 'data/run/plan",
    ),
    ("a manifest changed", raw("manifest-sha512.txt", lambda text: text.replace(b"0", b"1", 1)), "was changed"),
    ("a tag file changed", raw("bag-info.txt", lambda text: text.replace(b"ferry", b"FERRY")), "was changed"),
    ("a manifest out of the bag", as_given(manifest=f"{'0' * 64}  data/../../x\n".encode()), "knows nothing"),
    ("a line that is none", as_given(manifest=b"ferry\n"), "no digest and path"),
    ("a short digest", as_given(manifest=b"00ff  data/x\n"), "no digest and path"),
    (
        "a path twice",
        lambda files: archive(bagged(files, manifest=files["manifest-sha256.txt"] * 2)),
        "twice in manifest-sha256.txt",
    ),
    ("a manifest of other text", as_given(manifest=b"\xff\xfe\n"), "not UTF-8"),
    ("one manifest knows less", as_given(manifest_512=b""), "of which manifest-sha512.txt knows nothing"),
    ("an older bag", as_given(bagit=b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"), "BagIt 1.0"),
    ("another encoding", as_given(bagit=b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n"), "UTF-8"),
    ("a mark before bagit.txt", raw("bagit.txt", lambda text: b"\xef\xbb\xbf" + text), "bagit.txt"),
    ("bag-info without lines", as_given(bag_info=b"ferry\n"), "line that is none"),
    ("bag-info that repeats", info(lambda text: text + text), "twice"),
    ("bag-info of other text", as_given(bag_info=b"\xff: x\n"), "not UTF-8"),
    ("a bag of something else", info(lambda text: re.sub("Trialbed-Bundle.*\n", "", text)), "but not of a run"),
    ("a newer layout", info(lambda text: text.replace("Version: 1", "Version: 2")), "another version"),
    ("another count", info(lambda text: re.sub(r"Oxum: \d+", "Oxum: 7", text)), "Oxum"),
    ("a count that is none", info(lambda text: re.sub(r"Oxum: \S+", "Oxum: many", text)), "no valid bag"),
]
RUNS: list[tuple[str, Make, str]] = [
    ("metadata that is no JSON", replaced(CRATE, b"{"), "no JSON"),
    ("metadata ten thousand deep", replaced(CRATE, b"[" * 100_000), "no JSON"),
    ("metadata of another kind", replaced(CRATE, b"[]"), "JSON-LD"),
    ("another context", changed(CRATE, lambda found: found.update({"@context": "http://192.0.2.1/x"})), "JSON-LD"),
    ("another crate version", entity(lambda graph: graph[0].update(conformsTo={"@id": "x"})), "version 1.1"),
    ("no root", entity(lambda graph: graph.pop(1)), "version 1.1"),
    ("a file that is not there", entity(lambda graph: graph.append({"@id": "x", "@type": "File"})), "speaks of 'x'"),
    ("an entity without a name", entity(lambda graph: graph.append({"@type": "File"})), "no @id"),
    ("a record that is no JSON", replaced(RECORD, b"\0"), "cannot be read"),
    ("a record of a newer version", record("schema_version", 2), "update trialbed"),
    ("a record with more", record("surprise", 1), "'surprise'"),
    ("a plan without shapes", record("plan", {}), "whose plan is none"),
    ("a plan of other things", record("plan", {"shapes": [1], "workloads": "x"}), "whose plan is none"),
    ("more vCPUs than a number can say", size("vcpus", math.inf), "whose plan is none"),
    ("memory beyond all machines", size("memory", 10**400), "beyond all measure"),
    ("a number that is none", decide("margin", math.nan), "beyond all measure"),
    ("a rule that is none", decide("margin", 7), "cannot be judged"),
    ("a rule of other things", decide("confidence", {"at-least": 1}), "cannot be judged"),
    ("a block beyond all numbers", planned("block", 10**400), "in a block that no plan has"),
    ("a trial of another cell than planned", changed(TRIAL, lambda found: found.update(shape="two")), "not as its run"),
    (
        "a trial of another block than planned",
        changed(TRIAL, lambda found: found.update(block=10**9)),
        "not as its run",
    ),
    ("another run", record("id", "20260801T101112Z-other-0001"), "is called"),
    ("a run that climbs", record("id", "../../evil"), "is called"),
    ("a seal of other bytes", lambda files: archive(bagged(files, seal=b"0  plan.yaml\n")), "does not agree"),
    ("a seal of other text", lambda files: archive(bagged(files, seal=b"\xff\n")), "not UTF-8"),
    ("a trial that cannot be read", replaced(TRIAL, b"{}"), "damaged"),
    ("a journal without an end", replaced("data/run/journal.jsonl", b""), "no end"),
    ("a stranger in the run", with_files(**{"data/run/evil.sh": b"#!/bin/sh\n"}), "does not belong to the run"),
]
CASES = [*NO_ZIP, *PATHS, *ENTRIES, *BAGS, *RUNS]


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder for temporary files, empty."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    return folder


def everything(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def test_there_are_sixty_and_more() -> None:
    assert len(CASES) >= 60
    assert len({what for what, _, _ in CASES}) == len(CASES)


def test_what_they_are_made_from_is_a_good_bundle(good: Files, tmp_path: Path, scratch: Path) -> None:
    bundle = tmp_path / "bundle.zip"
    bundle.write_bytes(archive(bagged(good)))
    with bundles.opened(bundle) as found:
        assert found.run == RUN
    assert not everything(scratch)


@pytest.mark.parametrize(("make", "says"), [case[1:] for case in CASES], ids=[what for what, _, _ in CASES])
def test_it_is_refused_with_one_line_and_nothing_stays(
    make: Make, says: str, good: Files, tmp_path: Path, scratch: Path
) -> None:
    bundle = tmp_path / "in" / "bundle.zip"
    bundle.parent.mkdir()
    bundle.write_bytes(make(good))
    store = tmp_path / "results"

    with pytest.raises(InputError) as refused:
        bundles.unpack(bundle, str(store))

    line = str(refused.value)
    assert re.search(says, line), line
    assert "\n" not in line
    assert line.isprintable()
    assert line.startswith(f"{bundle}: ")
    assert line.endswith("; nothing was taken from it")
    assert not everything(scratch)
    assert everything(tmp_path) == {"in", "in/bundle.zip", "scratch"}


@pytest.mark.parametrize(
    ("limits", "says"),
    [
        (Limits(entries=10), "entries, and no run has more than 10"),
        (Limits(bytes=1000), "too large for a run"),
        (Limits(file_bytes=1000), "too large for a file of a run"),
        (Limits(directory_bytes=100), "a list of entries that is far too long"),
        (Limits(log_bytes=3), "a log that would blow up"),
        (Limits(metadata_bytes=100), "far too large to be one"),
        (Limits(yaml_bytes=3), r"'data/run/(plan|lab)\.yaml' far too large to be one"),
        (Limits(all_metadata_bytes=20_000), "of records and manifests, far more than any run"),
    ],
)
def test_limits_hold_before_anything_is_unpacked(
    limits: Limits, says: str, good: Files, tmp_path: Path, scratch: Path
) -> None:
    bundle = tmp_path / "bundle.zip"
    bundle.write_bytes(archive(good))
    with pytest.raises(InputError, match=says), opened(bundle, limits):
        pass
    assert not everything(scratch)


def end_within_the_end(content: bytes) -> bytes:
    """The mark of the last record once more within it, where whoever looks for the last one finds it."""
    return content[:-6] + b"PK\x05\x06\0\0"


def long_record_elsewhere(content: bytes) -> bytes:
    """A record of a long archive that does not lie before its locator, which says where it lies."""
    at = len(content) - 22
    record = b"PK\x06\x06" + struct.pack("<Q2H2I4Q", 44, 45, 45, 0, 0, 1, 1, 10**12, 0)
    short = bytearray(content[at:])
    short[12:16] = bytes(4)
    return content[:at] + record + bytes(8) + b"PK\x06\x07" + struct.pack("<IQI", 0, at, 1) + short


@pytest.mark.parametrize("hidden", [end_within_the_end, long_record_elsewhere])
def test_how_long_the_list_of_entries_is_cannot_be_hidden(
    hidden: Callable[[bytes], bytes], good: Files, tmp_path: Path, scratch: Path
) -> None:
    """APPNOTE.TXT 6.3.10, sections 4.3.14 to 4.3.16; readers differ in which record they believe."""
    bundle = tmp_path / "bundle.zip"
    bundle.write_bytes(hidden(archive(good)))
    with (
        pytest.raises(InputError, match="a list of entries that is far too long"),
        opened(bundle, Limits(directory_bytes=1000)),
    ):
        pass
    assert not everything(scratch)


def test_a_disk_without_room_is_told_before_it_is_full(
    good: Files, tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bundle = tmp_path / "bundle.zip"
    bundle.write_bytes(archive(good))
    full = type("Usage", (), {"free": 10})
    monkeypatch.setattr("shutil.disk_usage", lambda _path: full)
    with pytest.raises(InputError, match="10 B are free"), opened(bundle):
        pass
    assert not everything(scratch)


def test_folders_pipes_and_files_that_are_not_there_are_told(tmp_path: Path, scratch: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, says in ((tmp_path, "is a folder"), (pipe, "is no file"), (tmp_path / "none.zip", "No such file")):
        with pytest.raises(InputError, match=says), opened(path):
            pass
    assert not everything(scratch)


def test_what_was_unpacked_is_private_and_goes_when_its_reader_fails(
    good: Files, tmp_path: Path, scratch: Path
) -> None:
    bundle = tmp_path / "bundle.zip"
    bundle.write_bytes(archive(good))

    def fail() -> None:
        with opened(bundle) as found:
            assert found.run_folder.is_relative_to(scratch)
            assert stat.S_IMODE(next(scratch.iterdir()).stat().st_mode) == 0o700
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert not everything(scratch)


def test_an_archive_packed_anew_by_other_programs_is_read(good: Files, tmp_path: Path, scratch: Path) -> None:
    """Folders as entries, compressed, other times and modes: what zip(1) makes of an unpacked bundle."""
    bundle = tmp_path / "bundle.zip"
    folders = {f"{RUN}/{name.rpartition('/')[0]}/" for name in good if "/" in name} | {f"{RUN}/"}
    entries = [(name, b"", {"external_attr": (stat.S_IFDIR | 0o755) << 16 | 0x10}) for name in sorted(folders)]
    deflated = {"compress_type": zipfile.ZIP_DEFLATED, "date_time": (2026, 8, 1, 1, 2, 4)}
    entries += [(f"{RUN}/{name}", content, deflated) for name, content in good.items()]
    bundle.write_bytes(archive_of(entries))
    with bundles.opened(bundle) as found:
        assert json.loads((found.run_folder / "run.json").read_bytes())["id"] == RUN
