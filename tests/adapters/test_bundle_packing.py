"""A run packed: the same bytes each time, whole, read back as it was; and what is refused before anything is written.

The bag is checked by bagit, the reference library of the Library of Congress, which reads every bundle that is opened,
and by sha512sum and sha256sum of GNU coreutils; the archive by Python's zipfile.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import bagit
import pytest
from bundle_parts import RUN, packed_run, parts
from stored_runs import INPUTS, event, interrupted_run, run_record, whole_run

from orchestrator.adapters.bundle.reading import opened
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke
from orchestrator.errors import InputError, StoreError
from orchestrator.wiring import bundles
from orchestrator.wiring.packing import PackedRun, pack_run


def pack(store: Path, output: Path, **changed: bool) -> PackedRun:
    return pack_run("last", str(store), output, **{"anonymise": False, "replacing": False} | changed)


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle of a whole run, whose store is gone."""
    folder = tmp_path_factory.mktemp("packed")
    made = packed_run(folder)
    shutil.rmtree(folder / "results")
    return made


def test_the_same_run_gives_the_same_bytes_from_a_copy_at_another_time_and_in_another_zone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = packed_run(tmp_path)
    (copy := tmp_path / "elsewhere").mkdir()
    shutil.copytree(tmp_path / "results" / RUN, copy / RUN)  # other times, inodes and order on the disk
    for path in copy.rglob("*"):
        path.chmod(0o700)
        os.utime(path, (10**9, 10**9))
    shutil.rmtree(copy / RUN / "before")  # what is its owner's only
    monkeypatch.setenv("TZ", "Pacific/Apia")
    monkeypatch.setenv("COLUMNS", "40")
    second = pack(copy, tmp_path / "second.zip", replacing=True).path
    assert second.read_bytes() == first.read_bytes()


def test_every_entry_is_plain_sorted_dated_1980_and_stored(bundle: Path) -> None:
    with zipfile.ZipFile(bundle) as archive:
        assert archive.testzip() is None
        entries = archive.infolist()
    assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)
    told = {(entry.date_time, entry.external_attr >> 16, entry.compress_type, entry.comment) for entry in entries}
    assert told == {((1980, 1, 1, 0, 0, 0), 0o100644, zipfile.ZIP_STORED, b"")}
    assert {entry.filename.partition("/")[0] for entry in entries} == {RUN}


def test_what_concerns_its_owner_only_is_not_packed(bundle: Path) -> None:
    files = parts(bundle)
    assert not [name for name in files if "before" in name or "discarded" in name or ".lock" in name]
    assert not [name for name, content in files.items() if b"<domain>" in content]  # the guest's definition
    assert {name.partition("data/")[2].split("/")[0] for name in files if name.startswith("data/")} == {
        "ro-crate-metadata.json", "how-to-repeat.txt", "verdict.json", "verdict.txt", "run",
    }  # fmt: skip


def test_inputs_order_seed_and_trials_are_in_it_byte_for_byte(bundle: Path, tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id=RUN)
    files = parts(bundle)
    kept = tmp_path / "results" / RUN
    for name in ("plan.yaml", "lab.yaml", "inputs/load/run.sh", "run.json", "journal.jsonl", "environment.json"):
        assert files[f"data/run/{name}"] == (kept / name).read_bytes(), name
    record = json.loads(files["data/run/run.json"])
    assert (record["seed"], [trial["number"] for trial in record["trials"]]) == (7, [1, 2])
    assert INPUTS["load/run.sh"] in files.values()


def test_the_bag_is_valid_to_the_reference_library_and_to_coreutils(bundle: Path, tmp_path: Path) -> None:
    """RFC 8493: version 1.0, complete (section 3) and valid; a manifest is what ``sha512sum --check`` reads."""
    with zipfile.ZipFile(bundle) as archive:
        archive.extractall(tmp_path)  # by the test, which made it
    folder = tmp_path / RUN
    bag = bagit.Bag(str(folder))
    assert bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.info["External-Identifier"] == RUN
    assert bag.info["Bagging-Date"] == "2026-08-01"  # of the run's end, not of today
    for program in ("sha256sum", "sha512sum"):
        for kind in ("manifest", "tagmanifest"):
            asked = [program, "--check", "--strict", "--quiet", f"{kind}-{program.removesuffix('sum')}.txt"]
            subprocess.run(asked, cwd=folder, check=True)
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"], cwd=folder / "data/run", check=True)


def test_texts_in_it_tell_the_trials_the_verdict_and_how_to_repeat_it(bundle: Path) -> None:
    files = parts(bundle)
    how = files["data/how-to-repeat.txt"].decode()
    assert f"Run {RUN} (done)" in how
    assert "trialbed-order-1/SEED/BLOCK/SHAPE/WORKLOAD/THREADS" in how
    assert [line.split() for line in how.splitlines()[-2:]] == [
        ["1", "1", "1", "measured", "one,", "bookings"],
        ["2", "1", "2", "failed", "two,", "bookings"],
    ]
    assert max(map(len, how.splitlines())) <= 120
    assert "2400" in files["data/verdict.txt"].decode()
    verdict = json.loads(files["data/verdict.json"])
    assert verdict["run"] == RUN
    assert verdict["verdict"]["cells"]


def test_it_is_read_back_from_the_archive_alone(bundle: Path, tmp_path: Path) -> None:
    with opened(bundle) as found:
        assert (found.run, found.record.seed, found.anonymised) == (RUN, 7, False)
        assert found.sha256 == hashlib.sha256(bundle.read_bytes()).hexdigest()
        assert found.run_folder.name == RUN
        stored = FolderStore(found.run_folder.parent).find("last")
        assert [trial.outcome for trial in stored.trials] == ["measured", "failed"]
        assert FolderStore(found.run_folder.parent).load_trial(stored, stored.trials[0].id).log == "a line\n"
    assert not found.run_folder.exists()


def test_what_is_unpacked_is_a_run_of_the_store_that_nothing_is_odd_about(bundle: Path, tmp_path: Path) -> None:
    store = tmp_path / "results"
    done = bundles.unpack(bundle, str(store))
    assert done.copied
    again = bundles.unpack(bundle, str(store))
    assert not again.copied
    kept = FolderStore(store)
    assert [run.record.id for run in kept.list()] == [RUN]
    assert kept.problems() == []
    assert kept.find("last").complete
    assert kept.problems() == []
    verified = kept.verify("last")
    assert (verified.findings, verified.sealed) == ((), True)
    packed = pack(store, tmp_path / "again.zip").path
    assert packed.read_bytes() == bundle.read_bytes()


def test_another_run_of_the_same_id_is_never_written_over(bundle: Path, tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id=RUN, seed=8)
    before = {path: path.read_bytes() for path in (tmp_path / "results" / RUN).rglob("*") if path.is_file()}
    with pytest.raises(StoreError, match=r"is not the same run: run\.json was changed .*--store"):
        bundles.unpack(bundle, str(tmp_path / "results"))
    assert {path: path.read_bytes() for path in (tmp_path / "results" / RUN).rglob("*") if path.is_file()} == before
    assert [path.name for path in (tmp_path / "results").iterdir()] == [RUN]


def test_its_own_store_has_it_already(tmp_path: Path) -> None:
    bundle = packed_run(tmp_path)
    assert not bundles.unpack(bundle, str(tmp_path / "results")).copied


def test_a_folder_that_was_renamed_is_packed_under_the_name_it_began_with(bundle: Path, tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id=RUN)
    (tmp_path / "results" / RUN).rename(tmp_path / "results" / "ferry")
    packed = pack(tmp_path / "results", tmp_path).path
    assert packed.name == f"{RUN}.zip"
    assert packed.read_bytes() == bundle.read_bytes()


def test_inputs_of_any_name_come_back_under_it(tmp_path: Path) -> None:
    """RFC 8493 gives "%" in a manifest a meaning of its own, which readers take differently."""
    names = [
        "load/../etc/x",
        "load/r\u00e9sum\u00e9 50%.sh",
        "load/.hidden",
        "load/a b.sh",
        "/abs",
        "load/!bang",
        "load/a:b",
    ]
    inputs = INPUTS | {name: name.encode() for name in names}
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in inputs.items()}
    writer = FolderStore(tmp_path / "results").create(run_record(id=RUN, inputs_sha256=digests), inputs)
    for name in ("run-started", "restored", "run-ended"):
        writer.append(event(name))  # type: ignore[arg-type]
    writer.seal()
    packed = pack(tmp_path / "results", tmp_path).path
    assert not [name for name in parts(packed) if "%" in name or not name.isascii()]
    with bundles.opened(packed) as found:
        store = FolderStore(found.run_folder.parent)
        assert store.inputs(store.find(RUN)) == inputs


# --------------------------------------------------------------------------------------------------------- refused


def test_an_archive_that_is_there_is_kept_unless_it_may_go(tmp_path: Path) -> None:
    whole_run(tmp_path / "results")
    target = tmp_path / "bundle.zip"
    target.write_bytes(b"precious")
    with pytest.raises(InputError, match="is there already; give another name with --output, or --replace"):
        pack(tmp_path / "results", target)
    assert target.read_bytes() == b"precious"
    pack(tmp_path / "results", target, replacing=True)
    with opened(target):
        pass
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bundle.zip", "results"]


def test_a_run_that_has_no_end_is_not_packed_and_one_that_was_interrupted_is_with_a_remark(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, writer = interrupted_run(tmp_path / "results")
    with pytest.raises(StoreError, match="is going on; pack it when it has ended"):
        pack(tmp_path / "results", tmp_path)
    writer.let_go()
    with pytest.raises(StoreError, match="was cut short and has no end; go on with it first: trialbed resume"):
        pack(tmp_path / "results", tmp_path)
    writer = FolderStore(tmp_path / "results").reopen("last")[1]  # type: ignore[assignment]
    writer.append(event("restored"))
    writer.append(event("run-interrupted", state="interrupted", why="a signal came"))
    writer.seal()
    done = pack(tmp_path / "results", tmp_path)
    assert done.remarks[0] == "the run ended before its last trial: 1 of 2 are in the bundle"
    assert invoke(["open", str(done.path)]) == 0
    told = capsys.readouterr().out
    assert "interrupted: a signal came" in told
    assert "trialbed resume" not in told, "nobody goes on with a run in its bundle"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("trials/0001-one-bookings-t1-b1/vcpu.parquet", "vcpu.parquet was changed"),
        ("plan.yaml", r"plan\.yaml was changed"),
        ("journal.jsonl", "no end"),
    ],
)
def test_a_damaged_run_is_not_packed(name: str, says: str, tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id=RUN)
    (tmp_path / "results" / RUN / name).write_bytes(b"")
    with pytest.raises(StoreError, match=says):
        pack(tmp_path / "results", tmp_path)
    assert not list(tmp_path.glob("*.zip"))


def test_what_its_owner_alone_has_may_be_damaged(tmp_path: Path, bundle: Path) -> None:
    whole_run(tmp_path / "results", id=RUN)
    (tmp_path / "results" / RUN / "before" / "bookings-1" / "definition" / "guest.xml").write_bytes(b"")
    assert pack(tmp_path / "results", tmp_path).path.read_bytes() == bundle.read_bytes()


def test_a_place_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    whole_run(tmp_path / "results")
    with pytest.raises(InputError, match=r"there is no folder .*none; make it first"):
        pack(tmp_path / "results", tmp_path / "none" / "bundle.zip")


def test_a_link_in_a_run_is_not_followed(tmp_path: Path) -> None:
    whole_run(tmp_path / "results", id=RUN)
    series = tmp_path / "results" / RUN / "trials" / "0001-one-bookings-t1-b1" / "vcpu.parquet"
    series.rename(tmp_path / "elsewhere")
    series.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StoreError, match="is a link or a device, which cannot be packed"):
        pack(tmp_path / "results", tmp_path)
