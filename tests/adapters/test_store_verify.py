"""``trialbed verify``: whatever was done to a run's folder is found by digest, named, and told with what to do."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from stored_runs import FIRST, INPUTS, SECOND, event, interrupted_run, trial_data, trial_record, whole_run

from orchestrator.adapters.store.digests import sha256
from orchestrator.adapters.store.drafts import FolderDraft
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke

DIGESTS = {name: sha256(content) for name, content in INPUTS.items()}


def _flip(name: str) -> Callable[[Path], object]:
    """Changes one bit in the middle, as a disk does."""

    def damage(run: Path) -> None:
        content = bytearray((run / name).read_bytes())
        content[len(content) // 2] ^= 1
        (run / name).write_bytes(bytes(content))

    return damage


def _cut(name: str) -> Callable[[Path], object]:
    return lambda run: (run / name).write_bytes((run / name).read_bytes()[:40])


def _remove(name: str) -> Callable[[Path], object]:
    return lambda run: (run / name).unlink()


def _append(name: str, content: bytes) -> Callable[[Path], object]:
    def damage(run: Path) -> None:
        with (run / name).open("ab") as file:
            file.write(content)

    return damage


def _strange_trial(run: Path) -> None:
    shutil.copytree(run / "trials" / FIRST, run / "trials" / "0099-copy")


TRIAL = f"trials/{FIRST}"

#: Damage, the path that is named, and what is said of it; of a sealed run and of one that is not.
DAMAGE: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "corrupted Parquet": (
        lambda run: (run / TRIAL / "host.parquet").write_bytes(b"PAR1 rubbish PAR1"),
        f"{TRIAL}/host.parquet",
        "was changed after it was written, and cannot be read any more: the trial's figures in trial.json stand",
    ),
    "other Parquet": (
        lambda run: shutil.copy(run / TRIAL / "guest.parquet", run / TRIAL / "host.parquet"),
        f"{TRIAL}/host.parquet",
        "was changed after it was written, and can still be read: the trial's figures",
    ),
    "one bit of a log": (_flip(f"{TRIAL}/workload.log.gz"), f"{TRIAL}/workload.log.gz", "was changed after"),
    "no series": (_remove(f"{TRIAL}/vcpu.parquet"), f"{TRIAL}/vcpu.parquet", "is missing: .* restore it from a copy"),
    "truncated JSON": (
        _cut(f"{TRIAL}/trial.json"),
        f"{TRIAL}/trial.json",
        r"cannot be read \(damaged or cut short \(40 bytes .*\): .* so it does not count; .* run the trial again",
    ),
    "no trial.json": (_remove(f"{TRIAL}/trial.json"), f"{TRIAL}/trial.json", "is missing"),
    "missing trial": (
        lambda run: shutil.rmtree(run / TRIAL),
        TRIAL,
        "is missing: the journal says that this trial ended, so the run is not complete; .* trialbed resume",
    ),
    "torn journal": (
        _append("journal.jsonl", b'{"time_utc": "2026'),
        "journal.jsonl",
        "has a last line that was cut short: a crash .* every line before it stands; ",
    ),
    "spoilt journal": (_append("journal.jsonl", b"\xff\x00\n"), "journal.jsonl", "has lines that are no events"),
    "no journal": (_remove("journal.jsonl"), "journal.jsonl", "is missing or cannot be read: .* restore --check"),
    "stray file": (lambda run: (run / "notes.txt").write_text("x"), "notes.txt", "move it out of the run's folder"),
    "stray file among trials": (lambda run: (run / "trials/x.txt").touch(), "trials/x.txt", "move it out"),
    "stray file in a trial": (lambda run: (run / TRIAL / "x.txt").touch(), f"{TRIAL}/x.txt", "move it out"),
    "changed plan": (_flip("plan.yaml"), "plan.yaml", "not what the run was begun with, so resume will not go on"),
    "changed program": (_flip("inputs/load/run.sh"), "inputs/load/run.sh", "not what the run was begun with"),
    "no lab": (_remove("lab.yaml"), "lab.yaml", "is missing: it is not what the run was begun with"),
    "changed definition": (
        _flip("before/bookings-1/definition/guest.xml"),
        "before/bookings-1/definition/guest.xml",
        "the guest cannot be put back from this folder",
    ),
    "no power state": (
        _remove("before/bookings-1/saved.json"),
        "before/bookings-1/saved.json",
        "the guest cannot be put back from this folder",
    ),
    "truncated run.json": (_cut("run.json"), "run.json", "without it the run is not listed"),
}
SEALED_ONLY: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "renamed trial": (
        lambda run: (run / TRIAL).rename(run / "trials/0001"),
        "trials/0001",
        f"holds trial {FIRST} under another name: .*; rename the folder back",
    ),
    "copied trial": (_strange_trial, "trials/0099-copy", "under another name"),
    "changed environment": (_flip("environment.json"), "environment.json", "."),
    "changed journal": (
        lambda run: (run / "journal.jsonl").write_bytes(
            (run / "journal.jsonl").read_bytes().replace(b"run-ended", b"notice")
        ),
        "journal.jsonl",
        "what happened in the run may not be what it says",
    ),
    "changed record": (
        lambda run: (run / "run.json").write_text((run / "run.json").read_text().replace('"seed": 7', '"seed": 8')),
        "run.json",
        "was changed after it was written",
    ),
    "changed result": (
        lambda run: (run / TRIAL / "trial.json").write_text(
            (run / TRIAL / "trial.json").read_text().replace("2400.0", "2500.0")
        ),
        f"{TRIAL}/trial.json",
        "may not be what was measured",
    ),
    "half-written trial": (
        lambda run: (run / "trials/.partial-x-1234").mkdir(),
        "trials/.partial-x-1234",
        "nothing is lost by it",
    ),
    "no seal": (_remove("SHA256SUMS"), "SHA256SUMS", "is missing"),
    "spoilt seal": (_cut("SHA256SUMS"), "SHA256SUMS", "vouches for nothing"),
}


def crashed_run(root: Path) -> Path:
    _, writer = interrupted_run(root, inputs_sha256=DIGESTS)
    folder = Path(writer.location)
    del writer
    return folder


def test_a_whole_run_has_nothing_wrong(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path, inputs_sha256=DIGESTS)
    found = store.verify("last")
    assert (found.findings, found.remarks, found.sealed, found.state) == ((), (), True, "done")
    lines = Path(writer.location, "SHA256SUMS").read_text().splitlines()
    assert found.files == len(lines), "as many as sha256sum(1) would check"
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    store.verify(writer.location)
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before, "nothing is touched"


def test_a_run_that_was_killed_has_nothing_wrong_and_says_what_could_not_be_checked(tmp_path: Path) -> None:
    crashed_run(tmp_path)
    found = FolderStore(tmp_path).verify("last")
    assert (found.findings, found.sealed, found.state) == ((), False, "crashed")
    assert "not sealed: digests are known of trials, inputs and guests only" in found.remarks[0]
    assert found.files == 3 + 1 + 5, "the inputs, the guest's definition, and the trial's series and log"


@pytest.mark.parametrize("kind", [*DAMAGE, *SEALED_ONLY])
def test_damage_of_a_sealed_run_is_named_with_what_to_do(tmp_path: Path, kind: str) -> None:
    store, writer = whole_run(tmp_path, inputs_sha256=DIGESTS)
    damage, path, words = (DAMAGE | SEALED_ONLY)[kind]
    damage(Path(writer.location))
    sentences = {finding.path: finding.sentence for finding in store.verify(writer.id).findings}
    assert path in sentences, sentences
    assert re.search(words, sentences[path]), sentences[path]
    moved = {TRIAL} if kind == "renamed trial" else set()
    assert set(sentences) == {path} | moved, "nothing else is blamed"


@pytest.mark.parametrize("kind", DAMAGE)
def test_damage_of_a_run_without_a_seal_is_named_as_well(tmp_path: Path, kind: str) -> None:
    damage, path, words = DAMAGE[kind]
    folder = crashed_run(tmp_path)
    damage(folder)
    sentences = {finding.path: finding.sentence for finding in FolderStore(tmp_path).verify(folder.name).findings}
    if kind == "truncated run.json":  # the digests of the inputs are in it
        assert set(sentences) == {path}
    assert re.search(words, sentences[path]), sentences
    assert set(sentences) == {path}, "nothing else is blamed"


def test_a_torn_journal_is_mended_by_resuming_or_by_hand_where_nothing_is_left_to_resume(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path / "done", inputs_sha256=DIGESTS)
    crashed = crashed_run(tmp_path / "crashed")
    for run in (Path(writer.location), crashed):
        DAMAGE["torn journal"][0](run)
    found = {kept.verify("last").findings[0].do for kept in (store, FolderStore(tmp_path / "crashed"))}
    assert found == {"delete what stands after its last whole line", "trialbed resume sets the piece aside"}


def test_what_a_kill_cut_short_is_told_and_nothing_is_wrong_with_the_run(tmp_path: Path) -> None:
    folder = crashed_run(tmp_path)
    (folder / "trials" / f".partial-{SECOND}-0a1b").mkdir()
    (folder / ".partial-alive.json").touch()
    found = FolderStore(tmp_path).verify(folder.name)
    assert found.findings == ()
    assert sum("was being written when the run was cut short" in remark for remark in found.remarks) == 2


def test_an_input_whose_change_was_accepted_is_what_it_should_be(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path, inputs_sha256=DIGESTS)
    newer = b"hosts: {other: {}}\n"
    writer.replace_input("lab.yaml", newer, "accepted")
    writer.append(event("changes-accepted", changes=["lab.yaml"], inputs_sha256={"lab.yaml": sha256(newer)}))
    assert store.verify("last").findings == ()
    Path(writer.location, "lab.yaml").write_bytes(INPUTS["lab.yaml"])
    assert [finding.path for finding in store.verify("last").findings] == ["lab.yaml"]


def test_sha256sum_of_coreutils_finds_the_same_changed_and_missing_files(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    folder = Path(writer.location)
    for name in ("plan.yaml", f"{TRIAL}/host.parquet", "environment.json"):
        (folder / name).write_bytes(b"{}")
    (folder / f"{TRIAL}/guest.parquet").unlink()
    check = ["sha256sum", "--check", "SHA256SUMS"]
    told = subprocess.run(
        check, cwd=folder, capture_output=True, text=True, check=False, env=os.environ | {"LC_ALL": "C"}
    )
    theirs = {line.partition(":")[0] for line in told.stdout.splitlines() if "FAILED" in line}
    assert {finding.path for finding in store.verify("last").findings} == theirs


def test_a_run_that_goes_on_is_not_blamed_for_what_is_being_written(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path, inputs_sha256=DIGESTS)
    draft = writer.draft(SECOND, print)
    assert isinstance(draft, FolderDraft)
    draft.sample("host", trial_data().host[0])
    Path(writer.location, "trials/.partial-x-1").mkdir()
    Path(writer.location, "alive.json").write_text("{}")
    _append("journal.jsonl", b'{"time_')(Path(writer.location))
    found = store.verify("last")
    assert (found.findings, found.state) == ((), "running")
    assert "the run is going on" in found.remarks[-1]


def test_what_was_put_apart_is_checked_and_a_draft_left_by_a_kill_is_told(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path, inputs_sha256=DIGESTS)
    writer.keep_trial(trial_record(reason="again"), trial_data())
    writer.draft(SECOND, print).sample("host", trial_data().host[0])
    location, _ = writer.location, writer.append(event("trial-started", SECOND))
    del writer
    found = store.verify("last")
    assert found.findings == ()
    assert any("unfinished/" in remark and "puts it apart" in remark for remark in found.remarks)
    store.reopen("last")[1].seal()
    assert store.verify("last").findings == ()
    _flip(f"discarded/{FIRST}-1/host.parquet")(Path(location))
    assert [finding.path for finding in store.verify("last").findings] == [f"discarded/{FIRST}-1/host.parquet"]


def test_the_command_tells_people_and_programs_and_its_status_says_whether_all_is_well(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, writer = whole_run(tmp_path)
    ask = ["verify", "last", "--store", str(tmp_path)]
    assert invoke(ask) == 0
    assert "compared with their digests: nothing is wrong" in capsys.readouterr().out
    _flip(f"{TRIAL}/host.parquet")(Path(writer.location))
    Path(writer.location, "evil\x1b[2J").touch()
    assert invoke(ask) == 1
    text = " ".join(capsys.readouterr().out.split())
    assert "2 things are wrong" in text
    assert "\x1b" not in text
    assert invoke([*ask, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], len(told["findings"])) == (False, 2)
    assert invoke(["verify", "none", "--store", str(tmp_path)]) == 2
    for command in (["list"], ["show", "last"], ["show", "last", "1"]):
        assert invoke([*command, "--store", str(tmp_path)]) == 0, "the rest stays readable"
