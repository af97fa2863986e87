"""The trial in hand as it is kept: what a kill leaves of it, where it goes, and what it must not cost."""

from __future__ import annotations

import errno
import json
import os
import signal
import subprocess
import sys
from io import StringIO
from pathlib import Path

import pandas as pd
import pytest
from pytest_mock import MockerFixture
from rich.console import Console
from stored_runs import FIRST, SECOND, event, interrupted_run, trial_data, trial_record

from orchestrator.adapters.report.json_out import run_json
from orchestrator.adapters.report.run_text import render_run
from orchestrator.adapters.store import drafts
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.core.measure.columns import from_samples
from orchestrator.core.record.journal import progress
from orchestrator.engine.ports import Line

HERE = Path(__file__).parent
ENVIRONMENT = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE.parents[1]), str(HERE)])}


def test_a_draft_is_json_lines_that_others_read_and_grows_as_readings_come(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    draft = writer.draft(SECOND, pytest.fail)
    place = Path(writer.location, "unfinished", SECOND)
    assert not place.exists(), "nothing is kept before there is anything"
    samples = trial_data().host[:3]
    for number, sample in enumerate(samples, start=1):
        draft.sample("host", sample)
        assert len((place / "host.jsonl").read_text().splitlines()) == number
    draft.lines([Line("2400 bookings\u2028 \x1b[2J é", 1000.5), Line("2401", 1001.5)])
    read = pd.read_json(place / "host.jsonl", lines=True)
    assert read.to_dict("list") == pd.DataFrame(from_samples(samples)).to_dict("list")
    lines = [json.loads(line) for line in (place / "output.jsonl").read_text().splitlines()]
    assert lines[0] == {"time_s": 1000.5, "text": "2400 bookings\u2028 \x1b[2J é"}
    assert len(lines) == 2


def test_a_launch_that_is_tried_again_begins_its_draft_anew(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    first = writer.draft(SECOND, pytest.fail)
    first.lines([Line("from the first try", 1.0)])
    second = writer.draft(SECOND, pytest.fail)
    second.lines([Line("from the second try", 2.0)])
    first.lines([Line("too late", 3.0)])
    kept = Path(writer.location, "unfinished", SECOND, "output.jsonl").read_text()
    assert json.loads(kept) == {"time_s": 2.0, "text": "from the second try"}


def test_a_draft_takes_no_more_room_than_a_log_may(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    draft = writer.draft(SECOND, pytest.fail)
    for number in range(100):
        draft.lines([Line("x" * 64 * 1024, float(number))])
    size = Path(writer.location, "unfinished", SECOND, "output.jsonl").stat().st_size
    assert 4 * 2**20 - 70 * 1024 < size <= 4 * 2**20


def test_a_draft_waits_for_no_disk(tmp_path: Path, mocker: MockerFixture) -> None:
    _, writer = interrupted_run(tmp_path)
    synced = mocker.spy(os, "fsync")
    draft = writer.draft(SECOND, pytest.fail)
    for sample in trial_data().host:
        draft.sample("host", sample)
    assert synced.call_count == 0


def test_a_disk_that_refuses_a_draft_is_told_once_and_raises_nothing(tmp_path: Path, mocker: MockerFixture) -> None:
    store, writer = interrupted_run(tmp_path)
    told: list[str] = []
    draft = writer.draft(SECOND, told.append)
    draft.lines([Line("before", 1.0)])
    mocker.patch.object(
        drafts, "write_all", side_effect=OSError(errno.ENOSPC, "No space left on device", "output.jsonl")
    )
    for _ in range(3):
        draft.sample("vcpu", trial_data().vcpu[0])
        draft.lines([Line("x", 1.0)])
    assert len(told) == 1
    assert "(output.jsonl: No space left on device); the trial goes on" in told[0]
    mocker.stopall()
    writer.keep_trial(trial_record(SECOND), trial_data())
    assert not Path(writer.location, "unfinished").exists()
    assert len(store.find("last").trials) == 2


def test_what_is_put_apart_is_numbered_explained_shown_and_sealed(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    for reason in ("the machine slept for 2 h", "evil \x1b[2J"):
        writer.append(event("trial-started", SECOND))
        writer.draft(SECOND, pytest.fail).lines([Line("some figures", 1.0)])
        writer.discard(SECOND, reason)
        writer.append(event("trial-discarded", SECOND, reason=reason))
    writer.append(event("run-interrupted"))
    writer.seal()
    folder = Path(writer.location)
    assert sorted(path.name for path in (folder / "discarded").iterdir()) == [f"{SECOND}-1", f"{SECOND}-2"]
    told = json.loads((folder / "discarded" / f"{SECOND}-1" / "discarded.json").read_text())
    assert (told["schema_version"], told["trial"], told["reason"]) == (1, SECOND, "the machine slept for 2 h")
    assert told["last_written_utc"].endswith("Z")
    assert f"discarded/{SECOND}-2/output.jsonl" in (folder / "SHA256SUMS").read_text()
    assert not (folder / "unfinished").exists()
    run = store.find("last")
    assert store.problems() == []
    screen = Console(width=100, record=True, file=StringIO())
    screen.print(render_run(run))
    text = screen.export_text()
    assert "Put apart, since it does not count" in text
    assert f"discarded/{SECOND}-1: the machine slept for 2 h" in text
    assert "\x1b" not in text
    assert [found["trial"] for found in run_json(run)["discarded"]] == [SECOND, SECOND]


def test_a_reason_for_which_there_was_no_room_is_written_when_the_run_goes_on(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.draft(SECOND, pytest.fail).lines([Line("x", 1.0)])
    writer.discard(SECOND, "out of time")
    apart = Path(writer.location, "discarded", f"{SECOND}-1")
    (apart / "discarded.json").unlink()
    assert [found.reason for found in store.find("last").discarded] == ["why is not known"]
    assert any("discarded.json" in problem for problem in store.problems())
    store.reopen("last")
    assert [found.trial for found in store.find("last").discarded] == [SECOND]
    assert store.problems() == []


KILLED = """
import os, signal, sys
from pathlib import Path
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.engine.ports import Line
from stored_runs import SECOND, event, trial_data
writer = FolderStore(Path(sys.argv[1])).reopen("last")[1]
writer.append(event("trial-started", SECOND))
draft = writer.draft(SECOND, print)
for number, sample in enumerate(trial_data().vcpu):
    draft.sample("vcpu", sample)
    draft.lines([Line(f"figure {number}", float(number))])
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.real
def test_a_killed_process_leaves_every_reading_and_resume_puts_them_apart(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.seal()
    killed = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], env=ENVIRONMENT, check=False)
    assert killed.returncode == -signal.SIGKILL
    run = store.find("last")
    assert run.state == "crashed"
    assert (Path(run.location, "unfinished", SECOND, "vcpu.jsonl")).read_text().count("\n") == len(trial_data().vcpu)
    _, again, _ = store.reopen("last")
    run = store.find("last")
    assert [(found.trial, found.reason) for found in run.discarded] == [
        (SECOND, "the run was cut short in the middle of it")
    ]
    where = progress(store.journal(run))
    assert (where.in_hand, where.ended) == (None, (FIRST,))
    again.keep_trial(trial_record(SECOND), trial_data())
    again.seal()
    assert store.verify("last").findings == ()
    assert f"discarded/{SECOND}-1/vcpu.jsonl" in Path(run.location, "SHA256SUMS").read_text()


def test_a_trial_that_was_stored_before_the_kill_leaves_nothing_apart(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.append(event("trial-started", SECOND))
    writer.draft(SECOND, pytest.fail).lines([Line("x", 1.0)])
    writer.keep_trial(trial_record(SECOND), trial_data())
    Path(writer.location, "unfinished", SECOND).mkdir(parents=True)  # killed before the draft was removed
    events = len(store.journal(store.find("last")))
    store.reopen("last")
    run = store.find("last")
    assert ([trial.id for trial in run.trials], run.discarded) == ([FIRST, SECOND], ())
    assert len(store.journal(run)) == events, "the trial counts, so nothing is said of it"
    assert not Path(run.location, "unfinished").exists()


def test_the_draft_of_a_trial_that_is_kept_is_not_put_apart_where_a_run_is_only_sealed(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    left = Path(writer.location, "unfinished", FIRST)
    left.mkdir(parents=True)  # killed after the trial was stored, before its draft was removed
    (left / "guest.jsonl").write_text("{}\n")
    writer.seal()
    store.writer(store.find("last")).seal()  # as after trialbed restore
    assert store.find("last").discarded == ()
    assert not left.parent.exists()


def test_what_was_being_written_at_the_kill_is_cleared_away(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    folder = Path(writer.location)
    for name in (f"trials/.partial-{SECOND}-0a1b2c3d", "before/.partial-bookings-2-0a1b2c3d"):
        (folder / name).mkdir()
        (folder / name / "half.json").write_text("{")
    (folder / ".partial-SHA256SUMS-0a1b2c3d").write_text("half")
    assert len(store.verify("last").remarks) == 2, "while the writer lives nobody is blamed"
    store.reopen("last")
    assert [(f.trial, f.reason) for f in store.find("last").discarded] == [
        (SECOND, "the run was cut short while it was being stored")
    ]
    assert [path.name for path in folder.rglob("*") if path.name.startswith(".partial-")] == []


def test_a_run_of_an_earlier_version_with_an_earlier_result_stays_readable(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    trials = Path(writer.location, "trials")
    (trials / FIRST).rename(trials / f".replaced-{FIRST}-0a1b2c3d")
    writer.keep_trial(trial_record(reason="again"), trial_data())
    assert [trial.reason for trial in store.find("last").trials] == ["again"]
    assert any("set aside" in problem for problem in store.problems())
    writer.append(event("run-interrupted"))
    writer.seal()
    assert FolderStore(tmp_path).verify("last").findings == ()
