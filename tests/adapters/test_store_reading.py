"""Finding and reading runs: what a person may type, and what a damaged folder still tells."""

from __future__ import annotations

import gzip
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from stored_runs import FIRST, INPUTS, SECOND, event, interrupted_run, run_record, trial_data, trial_record, whole_run

from orchestrator.adapters.store.digests import sha256
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.errors import StoreError


def test_an_empty_store_says_how_to_make_a_run(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"no runs in .*missing yet; make one with: trialbed run"):
        FolderStore(tmp_path / "missing").find("last")
    assert FolderStore(tmp_path / "missing").list() == []


def test_runs_of_the_same_second_do_not_collide(tmp_path: Path) -> None:
    store = FolderStore(tmp_path)
    ids = [store.create(run_record(), {}).id for _ in range(20)]
    assert len(set(ids)) == 20
    assert [run.record.id for run in store.list()] == ids
    assert store.find("last").record.id == ids[-1]


def test_a_run_is_found_by_its_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, writer = whole_run(tmp_path / "elsewhere")
    monkeypatch.chdir(tmp_path)
    for path in (writer.location, f"elsewhere/{writer.id}", f"./elsewhere/{writer.id}/"):
        assert FolderStore(tmp_path / "empty").find(path).record.id == writer.id


@pytest.mark.parametrize("run", ["..", ".", "", "../elsewhere", "a/../../b", "/", "/etc", "results/none"])
def test_what_is_no_run_is_refused(tmp_path: Path, run: str) -> None:
    store, _ = whole_run(tmp_path)
    with pytest.raises(StoreError, match=r"does not name a run|not the folder of a run"):
        store.find(run)


def test_a_near_miss_is_told_what_is_near(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    with pytest.raises(StoreError, match=writer.id):
        store.find(writer.id.replace("how", "hew"))


def test_a_renamed_run_goes_by_its_new_name(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    Path(writer.location).rename(tmp_path / "overnight")
    assert store.find("overnight").record.id == "overnight"
    assert any("was renamed" in problem for problem in store.problems())


def test_a_long_journal_tells_the_same_state_from_its_end(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    for _ in range(300):
        writer.append(event("notice", text="x" * 100))
    assert Path(writer.location, "journal.jsonl").stat().st_size > 32 * 1024
    writer.append(event("run-interrupted"))
    writer.seal()
    assert [run.state for run in store.list()] == [store.find("last").state] == ["interrupted"]
    assert store.problems() == []


def test_series_come_back_as_they_were_kept(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    run = store.find("last")
    assert store.load_trial(run, FIRST) == trial_data()
    assert store.load_trial(run, SECOND).host == []
    with pytest.raises(StoreError, match=r"no finished trial '../../x'"):
        store.load_trial(run, "../../x")
    with pytest.raises(StoreError, match="there are throughput, host, guest, vcpu"):
        store.series(run, FIRST, "../trial")


def test_the_environment_and_the_journal_come_back(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    environment = store.environment(store.find("last"))
    assert environment is not None
    assert environment.host == {"cpu_model": "A CPU", "boost": None}
    assert [e.event for e in store.journal(store.find("last"))][-2:] == ["restored", "run-ended"]
    writer.keep_environment(environment.model_copy(update={"host": {"cpu_model": "Another CPU"}}))
    assert json.loads(Path(writer.location, "environment.1.json").read_text())["host"]["cpu_model"] == "A CPU"


def _cut(name: str) -> Callable[[Path], object]:
    return lambda run: (run / name).write_bytes((run / name).read_bytes()[:40])


def _newer(name: str) -> Callable[[Path], object]:
    return lambda run: (run / name).write_text(
        (run / name).read_text().replace('"schema_version": 1', '"schema_version": 2')
    )


DAMAGE: dict[str, tuple[Callable[[Path], object], str, list[str]]] = {
    "cut trial": (_cut(f"trials/{FIRST}/trial.json"), "cut short", [SECOND]),
    "newer trial": (_newer(f"trials/{FIRST}/trial.json"), r"schema_version 2; this one reads 1\); update", [SECOND]),
    "missing trial": (
        lambda run: shutil.rmtree(run / "trials" / FIRST),
        "missing, and the journal says that this trial ended",
        [SECOND],
    ),
    "moved trial": (lambda run: (run / "trials" / FIRST).rename(run / "trials/x"), "under another name", [SECOND]),
    "missing series": (
        lambda run: (run / "trials" / FIRST / "host.parquet").unlink(),
        "host.parquet: missing",
        [FIRST, SECOND],
    ),
    "stray file": (
        lambda run: (run / "trials/notes.txt").touch(),
        "notes.txt: not the folder of a trial",
        [FIRST, SECOND],
    ),
    "stray in run": (lambda run: (run / "notes.txt").touch(), "notes.txt: not a file of a run", [FIRST, SECOND]),
    "half trial": (lambda run: (run / "trials/.partial-x-1").mkdir(), "was cut short", [FIRST, SECOND]),
    "torn journal": (
        lambda run: _append(run, b'{"time_utc": "2026'),
        r"last line was cut short \(18 bytes\)",
        [FIRST, SECOND],
    ),
    "spoiled journal": (
        lambda run: _append(run, b"\xff\x00\n"),
        r"journal.jsonl:\d+: a line is not an event",
        [FIRST, SECOND],
    ),
    "no journal": (lambda run: (run / "journal.jsonl").unlink(), "cannot read .*journal.jsonl", [FIRST, SECOND]),
    "no seal": (lambda run: (run / "SHA256SUMS").unlink(), "SHA256SUMS: missing", [FIRST, SECOND]),
}


def _append(run: Path, content: bytes) -> None:
    with (run / "journal.jsonl").open("ab") as file:
        file.write(content)


@pytest.mark.parametrize("kind", DAMAGE)
def test_damage_is_named_and_the_rest_stays_readable(tmp_path: Path, kind: str) -> None:
    store, writer = whole_run(tmp_path)
    damage, problem, left = DAMAGE[kind]
    damage(Path(writer.location))
    run = store.find("last")
    assert [trial.id for trial in run.trials] == left
    told = store.problems()
    assert re.search(problem, told[0]), told
    assert len(told) == (2 if kind == "moved trial" else 1), "each thing once, by its path within the run's folder"
    assert not any(str(tmp_path) in text for text in told)
    assert [trial.id for trial in store.list()[0].trials] == left
    assert all(text.startswith(f"{writer.id}: ") for text in store.problems()), "one of many runs is named"


#: Of each record a few bytes that may be others, and it can still be read.
RECORDS = {
    "run.json": b"How many",
    "plan.yaml": b"ferry",
    "lab.yaml": b"hosts",
    "environment.json": b"A CPU",
    "journal.jsonl": b"2026",
    f"trials/{SECOND}/trial.json": b"2026",
}


@pytest.mark.parametrize("name", RECORDS)
def test_a_byte_that_flipped_in_a_record_is_noticed_without_verify(tmp_path: Path, name: str) -> None:
    store, writer = whole_run(tmp_path)
    path = Path(writer.location, name)
    flipped = bytearray(path.read_bytes())
    flipped[flipped.index(RECORDS[name])] ^= 1
    path.write_bytes(flipped)
    assert len(store.find("last").trials) == 2
    assert store.problems() == [f"{name}: not as it was written; trialbed verify tells what that means and what to do"]
    assert [name in finding.path for finding in store.verify("last").findings] == [True]


def test_many_changed_records_are_one_line(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    for name in RECORDS:
        path = Path(writer.location, name)
        path.write_bytes(path.read_bytes() + b"\n" * (name != "journal.jsonl"))
    store.find("last")
    assert [problem.partition(";")[0] for problem in store.problems()] == [
        "environment.json and 4 more: not as it was written"
    ]


def test_a_plan_that_was_changed_before_there_is_a_seal_is_noticed(tmp_path: Path) -> None:
    digests = {name: sha256(content) for name, content in INPUTS.items()}
    store = FolderStore(tmp_path)
    writer = store.create(run_record(inputs_sha256=digests), INPUTS)
    store.find("last")
    assert store.problems() == []
    Path(writer.location, "plan.yaml").write_bytes(b"title: another\n")
    store.find("last")
    assert [problem.partition(":")[0] for problem in store.problems()] == ["plan.yaml"]


@pytest.mark.parametrize("damage", [_cut("run.json"), _newer("run.json"), lambda run: (run / "run.json").unlink()])
def test_a_run_without_its_record_is_left_out_and_named(tmp_path: Path, damage: Callable[[Path], object]) -> None:
    store, good = whole_run(tmp_path)
    _, bad = whole_run(tmp_path, started_utc="2026-09-01T00:00:00Z")
    damage(Path(bad.location))
    assert [run.record.id for run in store.list()] == [good.id]
    assert [bad.id in problem for problem in store.problems()] == [True]
    with pytest.raises(StoreError, match=r"run\.json"):
        store.find(bad.id)
    assert store.find("last").record.id == good.id


@pytest.mark.parametrize("name", ["throughput.parquet", "host.parquet", "workload.log.gz"])
@pytest.mark.parametrize("content", [b"", b"PAR1", b"\x1f\x8b\x08\x00 rubbish"])
def test_a_damaged_series_is_named_and_the_others_are_read(tmp_path: Path, name: str, content: bytes) -> None:
    store, writer = whole_run(tmp_path)
    path = Path(writer.location, "trials", FIRST, name)
    path.write_bytes(content)
    data = store.load_trial(store.find("last"), FIRST)
    assert [f"trials/{FIRST}/{name}: " in problem for problem in store.problems()] == [True]
    assert str(tmp_path) not in store.problems()[0]
    assert data.vcpu == trial_data().vcpu


def test_a_log_that_unpacks_to_more_than_any_trial_prints_is_named_and_not_unpacked(tmp_path: Path) -> None:
    """CWE-409: a run may be somebody else's."""
    store, writer = whole_run(tmp_path)
    path = Path(writer.location, "trials", FIRST, "workload.log.gz")
    path.write_bytes(gzip.compress(bytes(2**20), 1) * 100)  # members after each other are one text (RFC 1952)
    assert store.load_trial(store.find("last"), FIRST).log == ""
    assert store.problems() == [f"trials/{FIRST}/workload.log.gz: unpacks to more than 64 MiB, which no trial prints"]


def test_a_parquet_file_of_another_program_is_named(tmp_path: Path) -> None:
    import pandas as pd

    store, writer = whole_run(tmp_path)
    pd.DataFrame({"a": [1]}).to_parquet(Path(writer.location, "trials", FIRST, "host.parquet"))
    assert store.load_trial(store.find("last"), FIRST).host == []
    assert "no complete column time_s" in store.problems()[0]


@pytest.mark.parametrize("reading", ["1.0", b"1.0", [1.0], {"a": 1.0}])
def test_a_series_of_other_things_than_numbers_is_named_and_not_read(tmp_path: Path, reading: object) -> None:
    import pandas as pd

    store, writer = whole_run(tmp_path)
    path = Path(writer.location, "trials", FIRST, "throughput.parquet")
    pd.DataFrame({"time_s": [reading], "value": [2.0]}).to_parquet(path)
    assert store.load_trial(store.find("last"), FIRST).throughput == []
    assert store.problems() == [
        f"trials/{FIRST}/throughput.parquet: column 'time_s' is no numbers; it was not written by trialbed"
    ]


def test_a_folder_that_is_no_run_is_called_so(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    (tmp_path / "pictures").mkdir()
    assert len(store.list()) == len(store.lines()) == 1
    assert store.problems() == [
        "pictures: run.json: missing, so this is no run or a damaged one; restore it from a copy, or move the folder "
        "elsewhere"
    ]


def test_left_over_beginnings_of_runs_are_named(tmp_path: Path) -> None:
    store, _ = whole_run(tmp_path)
    (tmp_path / ".partial-2026-x").mkdir()
    (tmp_path / "README.md").touch()
    assert len(store.list()) == 1
    assert [".partial-2026-x" in problem for problem in store.problems()] == [True]


def test_of_two_results_of_a_trial_the_earlier_is_put_apart(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.keep_trial(trial_record(reason="again"), trial_data())
    run = store.find("last")
    assert [trial.reason for trial in run.trials] == ["again"]
    assert [(found.trial, found.reason) for found in run.discarded] == [
        (FIRST, "it was run again: this is the earlier result")
    ]
    earlier = Path(writer.location, run.discarded[0].folder, "trial.json")
    assert json.loads(earlier.read_text())["reason"] == "steady from 12 s on"
    assert store.problems() == []


def test_times_without_an_offset_are_read_as_utc(tmp_path: Path) -> None:
    store = FolderStore(tmp_path)
    late = store.create(run_record(started_utc="2026-08-01T10:11:12"), {})
    early = store.create(run_record(started_utc="2026-08-01T12:00:00+02:00"), {})
    odd = store.create(run_record(started_utc="yesterday"), {})
    assert [run.record.id for run in store.list()] == [odd.id, early.id, late.id]
