"""A plan that measures until decided, as a person uses it: checked, run, interrupted, resumed, listed and shown."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import orchestrator
from orchestrator.cli import invoke

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [2]}
design: {blocks: {at-least: 3, at-most: 12, until: decided}, seed: 7}
measure:
  warm-up: {at-least: 10 s, at-most: 1 min}
  steady: {at-least: 20 s, at-most: 30 s}
decide:
  margin: 5 %
  price: {vcpu: 0.021, memory: 0.003, unit: EUR an hour}
"""
LAB = """
hosts:
  model: {hypervisor: simulated, with: {seed: 1}}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with such a plan on a simulated lab, which is also the working directory."""
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def flat(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().out.split())


def test_check_tells_the_least_and_the_most_and_what_time_buys(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["check", "plan.yaml"]) == 0
    text = flat(capsys)
    assert "2 cells x 3 to 12 blocks (until decided) = 6 to 24 trials" in text
    assert "the evidence is looked at after 3, 4, 5, 6, 8, 10 and 12 blocks" in text
    assert "for each of 6 to 24 trials it is reshaped" in text
    assert "a vCPU costs 0.021 and 1 GiB of memory 0.003 (EUR an hour)" in text
    assert "What the time buys - Three blocks show differences from" in text
    assert invoke(["check", "plan.yaml", "--json"]) == 0
    value = json.loads(capsys.readouterr().out)
    assert value["schema_version"] == 1
    assert (value["least_trials"], len(value["trials"]), value["looks"]) == (6, 24, [3, 4, 5, 6, 8, 10, 12])
    assert len(value["buys"]) == 2


def test_a_run_ends_when_it_is_decided_and_says_so_everywhere(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["run", "plan.yaml"]) == 0
    text = flat(capsys)
    decided = re.search(r"decided after (\d+) of at most 12 blocks", text, re.IGNORECASE)
    assert decided is not None
    assert 3 <= int(decided[1]) < 12
    assert "6 to 24 trials to go" in text
    assert "not run" not in text
    assert "Take shape two (2 vCPUs) for two threads" in text

    assert invoke(["list"]) == 0
    trials = 2 * int(decided[1])
    text = flat(capsys)
    assert f"{trials} of {trials} done" in text
    assert f"simulated guest), decided after {decided[1]} of at most 12 blocks" in text
    assert invoke(["show", "last", "--explain"]) == 0
    text = flat(capsys)
    assert f"decided after {decided[1]} of at most 12 blocks. " in text
    assert "not run" not in text
    assert "several looks: a run that ends once it is decided" in text
    assert invoke(["show", "last", "23"]) == 2
    assert "was not needed" in capsys.readouterr().err
    assert invoke(["resume", "last"]) == 2
    assert "nothing left to resume" in capsys.readouterr().err


def test_a_trial_explains_the_interval_that_it_was_given(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The steps start from the readings as stored, and end at the figure in the record."""
    assert invoke(["run", "plan.yaml", "--quiet"]) == 0
    capsys.readouterr()
    for number in ("1", "2", "3"):
        assert invoke(["show", "last", number, "--explain", "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        what = {step["step"]: step["what"] for step in told["explanation"]}
        assert "taken at 97.5 %" in what["looking often"]
        widths = re.findall(r"into ± ([\d.]+) %", what["interval"]) or [
            max(re.findall(r"± ([\d.]+) %", what["variance of the mean"]), key=float)
        ]
        mean = told["trial"]["summary"]["throughput"]
        assert float(widths[0]) == pytest.approx((mean["high"] - mean["low"]) / 2 / mean["mean"] * 100, abs=0.02)


def test_as_many_blocks_at_most_as_at_least_are_a_number(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "plan.yaml").write_text(PLAN.replace("at-most: 12", "at-most: 3"))
    assert invoke(["check", "plan.yaml"]) == 0
    assert "2 cells x 3 blocks = 6 trials, " in flat(capsys)


def test_an_interrupted_run_is_resumed_and_decides_as_the_other_did(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["run", "plan.yaml", "--store", "whole", "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    command = [sys.executable, "-m", "orchestrator", "run", "plan.yaml", "--store", "parts"]
    found = os.environ | {"PYTHONPATH": str(Path(orchestrator.__file__).parents[1])}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=found)
    assert process.stdout is not None
    for line in process.stdout:
        if "trial 3/24" in line:
            process.send_signal(signal.SIGINT)
            break
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "trialbed resume" in errors

    assert invoke(["resume", "last", "--store", "parts", "--json"]) == 0
    parts = json.loads(capsys.readouterr().out)
    assert parts["look"] == whole["look"]
    assert [trial["id"] for trial in parts["trials"]] == [trial["id"] for trial in whole["trials"]]
    means = [[trial["summary"]["throughput"]["mean"] for trial in run["trials"]] for run in (whole, parts)]
    assert means[0] == pytest.approx(means[1], rel=1e-3)  # the clock stood elsewhere
    chosen = [[(r["shape"], r["basis"]) for r in run["verdict"]["recommendations"]] for run in (whole, parts)]
    assert chosen[0] == chosen[1]
