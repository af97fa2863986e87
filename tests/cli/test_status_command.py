"""`trialbed status`: from the store alone, beside a run that goes on, after one that ended, and after a crash."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from long_night import LAB, PACKAGE, running, trialbed, wait_until, write

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def shown(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    capsys.readouterr()
    assert invoke(["status", *arguments]) == 0
    return capsys.readouterr().out


def as_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, object]:
    value = json.loads(shown(capsys, "--json", *arguments))
    assert isinstance(value, dict)
    return value


def test_a_run_is_followed_while_it_goes_on_and_told_dead_when_it_is_killed(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(place, blocks=500)
    with running(trialbed("run", "plan.yaml", "--quiet"), place) as process:
        alive = as_json(capsys)
        assert (alive["state"], alive["guest_back"], alive["planned"]) == ("running", False, 1000)
        assert isinstance(alive["trial"], dict)
        assert alive["next_step"] == ""
        text = shown(capsys)
        assert "running, heard of " in text
        assert "in the hands of the run" in text
        # A folder that somebody copied, or sees over the network, has no lock: its sign of life tells.
        (sign,) = place.glob("results/*/alive.json")
        assert json.loads(sign.read_bytes())["pid"] == process.pid
        process.send_signal(signal.SIGKILL)
        process.wait()
    dead = as_json(capsys)
    assert (dead["state"], dead["guest_back"]) == ("crashed", False)
    assert str(dead["next_step"]).startswith("trialbed resume ")
    assert "trialbed restore " in str(dead["next_step"])
    assert "crashed; last sign of life 20" in shown(capsys)
    assert invoke(["status", "--watch"]) == 3
    assert capsys.readouterr().out.count("crashed; last sign of life") == 1


def test_whoever_leaves_does_not_touch_the_run_and_whoever_stays_ends_with_it(place: Path) -> None:
    write(place, blocks=500)
    search = os.environ | {"PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}"}
    with running(trialbed("run", "plan.yaml", "--quiet"), place) as run:
        ours, theirs = pty.openpty()
        leaver = subprocess.Popen(trialbed("status", "--watch"), cwd=place, env=search, stdout=theirs, stderr=theirs)
        os.close(theirs)
        watch = subprocess.Popen(
            trialbed("status", "--watch"), cwd=place, env=search, stdout=subprocess.PIPE, text=True
        )
        assert watch.stdout is not None
        time_utc, _, told = watch.stdout.readline().partition("  ")
        assert datetime.fromisoformat(time_utc).utcoffset() == timedelta(0)
        assert told.startswith("running; trial ")
        seen = bytearray()
        wait_until(lambda: seen.extend(os.read(ours, 4096)) or b"do next" in seen)
        leaver.send_signal(signal.SIGINT)
        assert leaver.wait(60) == 130
        os.close(ours)
        assert run.poll() is None
        run.terminate()
        assert run.wait(60) == 130
        rest = watch.stdout.read().splitlines()
        assert watch.wait(60) == 130
        watch.stdout.close()
    assert rest[-1].partition("  ")[2].startswith("interrupted; ")
    assert "trial" not in rest[-1].split(";")[1], "none is in hand any more"
    assert b"Traceback" not in seen
    assert b"running, heard of" in seen


def test_a_run_that_is_done_is_told_with_what_to_do_next(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write(place, blocks=2)
    ran = invoke(["run", "plan.yaml", "--quiet"])
    run = FolderStore(place / "results").find("last").record.id
    text = shown(capsys)
    for part in ("done", "4 of 4 ended", "2 of 2 whole", "as it was before the run", f"trialbed show {run}"):
        assert part in text
    assert invoke(["status", run[:18], "--watch"]) == ran
    assert capsys.readouterr().out.partition("  ")[2].startswith("done; 4 ended (")
    assert list(place.glob("results/*/alive.json")) == []
    (sums,) = place.glob("results/*/SHA256SUMS")
    assert "alive.json" not in sums.read_text()
    elsewhere = place / "kept here"
    (place / "results").rename(elsewhere)
    assert f"trialbed show {run} --store '{elsewhere}'" in " ".join(shown(capsys, "--store", str(elsewhere)).split())


def test_it_fits_a_narrow_terminal(
    place: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    write(place, blocks=2, lab=LAB.replace("seed: 1", "faults: [{kind: workload-hangs, every: 2}]"))
    invoke(["run", "plan.yaml", "--quiet"])
    text = shown(capsys)
    assert "Last trials that were not measured" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_watch_and_json_exclude_each_other_and_nothing_to_tell_is_said(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["status", "--watch", "--json"]) == 2
    assert "exclude each other" in capsys.readouterr().err
    assert invoke(["status"]) == 2
    assert "there are no runs in results yet" in capsys.readouterr().err


def test_the_journal_is_read_from_where_the_last_look_ended(place: Path) -> None:
    """A line that is being written is left for the next look; another journal in its place is read anew."""
    from orchestrator.adapters.clock import SystemClock
    from orchestrator.adapters.store.following import Follower

    write(place, blocks=2)
    invoke(["run", "plan.yaml", "--quiet"])
    (path,) = place.glob("results/*/journal.jsonl")
    whole = path.read_bytes()
    lines = whole.splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:10]) + lines[10][:7])
    follower = Follower(place / "results", "last", SystemClock())
    assert len(follower.look().events) == 10
    with path.open("ab") as file:
        file.write(lines[10][7:] + lines[11])
    assert len(follower.look().events) == 12
    assert follower.problems == []
    path.write_bytes(b"".join(lines[:3]))
    assert len(follower.look().events) == 3
    path.write_bytes(whole)
    glance = follower.look()
    assert (len(glance.events), glance.state) == (len(lines), "done")
