"""Baselines in the store: a small file a name, beside runs that are never taken for one, and noticing what changed."""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
from pathlib import Path

import pytest
from stored_runs import STARTED, interrupted_run, trial_record, whole_run

from orchestrator.adapters.store.baselines import Baselines
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.record.baseline import Baseline
from orchestrator.errors import StoreError


def named(root: Path, name: str = "before-upgrade", *, replace: bool = False, note: str = "") -> Baseline:
    """A baseline of the one run in a store."""
    store, baselines = FolderStore(root), Baselines(root)
    member = baselines.member(store.find("last"))
    baseline = Baseline(name=name, runs=(member,), set_utc=STARTED, note=note)
    baselines.set(baseline, replace=replace)
    return baseline


def test_a_baseline_is_one_json_file_that_says_all_of_it(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    kept = named(tmp_path, note="the kernel of July")
    sums = (tmp_path / writer.id / "SHA256SUMS").read_bytes()
    assert json.loads((tmp_path / "baselines" / "before-upgrade.json").read_text()) == {
        "schema_version": 1,
        "name": "before-upgrade",
        "runs": [{"run": writer.id, "sums_sha256": hashlib.sha256(sums).hexdigest()}],
        "set_utc": STARTED,
        "note": "the kernel of July",
    }
    assert Baselines(tmp_path).find("before-upgrade") == kept
    assert Baselines(tmp_path).names() == ["before-upgrade"]
    assert [path.name for path in (tmp_path / "baselines").iterdir()] == ["before-upgrade.json"]


def test_the_folder_of_baselines_is_no_run(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    named(tmp_path)
    assert [run.record.id for run in store.list()] == [writer.id]
    assert store.problems() == []
    assert store.find("last").record.id == writer.id
    assert store.verify("last").findings == ()
    with pytest.raises(StoreError, match=r"no run in .* begins with 'baselines'"):
        store.find("baselines")
    _, second = whole_run(tmp_path, id="baselines")
    assert second.id != "baselines"


def test_a_run_that_is_gone_or_was_changed_since_is_named(tmp_path: Path) -> None:
    _, writer = whole_run(tmp_path)
    kept, baselines = named(tmp_path), Baselines(tmp_path)
    folder = tmp_path / writer.id
    assert baselines.changes(kept) == []
    (folder / "SHA256SUMS").write_text((folder / "SHA256SUMS").read_text() + "\n")
    assert baselines.changes(kept) == [f"run {writer.id} was changed or resumed since: its seal is another"]
    (folder / "SHA256SUMS").unlink()
    assert "has lost its seal" in baselines.changes(kept)[0]
    shutil.rmtree(folder)
    assert baselines.changes(kept) == [f"run {writer.id} is not in {tmp_path} any more; bring it back"]
    assert baselines.find("before-upgrade") == kept


def test_a_run_that_may_not_be_read_is_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole_run(tmp_path)
    kept = named(tmp_path)

    def refused(path: Path) -> str:
        raise PermissionError(errno.EACCES, "Permission denied", str(path))

    monkeypatch.setattr("orchestrator.adapters.store.baselines.sha256_file", refused)
    with pytest.raises(StoreError, match=r"cannot read .*/SHA256SUMS: permission is denied"):
        Baselines(tmp_path).changes(kept)


def test_a_name_is_set_anew_only_where_that_is_asked_for(tmp_path: Path) -> None:
    whole_run(tmp_path)
    named(tmp_path)
    with pytest.raises(StoreError, match="there is a baseline before-upgrade already; --replace sets it anew"):
        named(tmp_path, note="again")
    with pytest.raises(StoreError, match=r"Before-Upgrade already \(before-upgrade, which some file systems"):
        named(tmp_path, "Before-Upgrade", replace=True)
    assert named(tmp_path, note="again", replace=True) == Baselines(tmp_path).find("before-upgrade")


@pytest.mark.parametrize("name", ["", "last", "20261120", "a b", "../out", "a/b", "-x", "x" * 41, "é"])
def test_what_may_be_taken_for_a_run_or_leads_elsewhere_is_no_name(tmp_path: Path, name: str) -> None:
    whole_run(tmp_path)
    with pytest.raises(StoreError, match="cannot name a baseline"):
        named(tmp_path, name)
    assert not (tmp_path / "baselines").exists()
    assert Baselines(tmp_path).find(name) is None


def test_a_run_that_cannot_be_compared_with_is_no_member(tmp_path: Path) -> None:
    store, _ = interrupted_run(tmp_path / "open")
    with pytest.raises(StoreError, match=r"has no seal.*trialbed resume"):
        Baselines(tmp_path / "open").member(store.find("last"))
    store, writer = whole_run(tmp_path / "unsteady")
    with pytest.raises(StoreError, match="does not lie in"):
        Baselines(tmp_path / "elsewhere").member(store.find("last"))
    record = Path(writer.location) / "trials" / trial_record().id / "trial.json"
    record.write_text(record.read_text().replace('"outcome": "measured"', '"outcome": "unsteady"'))
    with pytest.raises(StoreError, match="has no steady trial"):
        Baselines(tmp_path / "unsteady").member(store.find("last"))


def test_a_damaged_or_foreign_file_is_told_and_not_believed(tmp_path: Path) -> None:
    whole_run(tmp_path)
    named(tmp_path)
    file = tmp_path / "baselines" / "before-upgrade.json"
    shutil.copy(file, tmp_path / "baselines" / "other.json")
    (tmp_path / "baselines" / "notes.txt").write_text("x")
    baselines = Baselines(tmp_path)
    assert baselines.names() == ["before-upgrade", "other"]
    with pytest.raises(StoreError, match="holds no baseline other; set it again"):
        baselines.find("other")
    file.write_text(file.read_text()[:40])
    with pytest.raises(StoreError, match="damaged or cut short"):
        baselines.find("before-upgrade")
    file.write_text('{"schema_version": 2}')
    with pytest.raises(StoreError, match="newer version"):
        baselines.find("before-upgrade")


def test_an_unknown_name_gets_the_nearest_and_one_that_is_removed_is_gone(tmp_path: Path) -> None:
    with pytest.raises(
        StoreError, match=r"there are no baselines in .* yet; set one with: trialbed baseline set x last"
    ):
        Baselines(tmp_path).get("x")
    whole_run(tmp_path)
    named(tmp_path)
    with pytest.raises(StoreError, match=r"unknown baseline 'before-upgrad'; did you mean 'before-upgrade'\?"):
        Baselines(tmp_path).get("before-upgrad")
    Baselines(tmp_path).remove("before-upgrade")
    assert Baselines(tmp_path).names() == []
