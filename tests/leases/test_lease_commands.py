"""Leases as a person meets them: a refused run, the listing, the probe, a broken lease; on this machine, for real."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from lease_places import holder, process, standing, until

from orchestrator.cli import invoke

pytestmark = pytest.mark.real

PLAN = r"""
title: How fast is a fare search?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB}
workloads:
  - name: fares
    threads: [1]
    command: [sh, -c, 'while sleep 0.1; do echo 100 searches; done']
    reader: {pattern: '(?P<value>[0-9]+) searches', figure: rate}
design: {blocks: 1, seed: 7}
measure:
  every: 200 ms
  warm-up: {at-least: 200 ms, at-most: 5 s}
  steady: {at-least: 1 s, at-most: 1 s}
"""
LAB = """
hosts:
  this-machine: {hypervisor: here}
guests:
  bookings-1: {host: this-machine, may-power-cycle: true}
"""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a short plan on this machine, which is also the working directory."""
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def start(bench: Path, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "orchestrator", *arguments],
        cwd=bench,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_of_two_commands_started_together_one_runs_and_killed_it_bars_the_next_until_it_is_resumed(
    bench: Path, own_leases: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    two = [start(bench, "run", "plan.yaml") for _ in range(2)]
    until(lambda: any(child.poll() is not None for child in two), 60)
    refused, going = sorted(two, key=lambda child: child.poll() is None)
    _, errors = refused.communicate(timeout=10)
    assert refused.returncode == 4
    assert f"(process {going.pid})" in errors
    assert "How fast is a fare search?" in errors
    assert "nothing was changed" in errors

    until(lambda: list(Path("results").glob("*/before")), 30)
    going.kill()
    going.communicate()
    until(lambda: {lease.state for lease in standing(own_leases).values()} == {"abandoned"})
    assert invoke(["run", "plan.yaml"]) == 4
    told = capsys.readouterr().err
    (run,) = Path("results").iterdir()
    assert f"trialbed resume {run.name}" in told
    assert "trialbed leases LAB --host this-machine --break guest-here-bookings-1 --break host" in told

    run.rename(run.with_name("copied-from-elsewhere"))  # its leases know it by the name under which it began
    assert invoke(["resume", "last", "--quiet"]) in {0, 1}
    assert "it was taken over" in " ".join(capsys.readouterr().err.split())
    assert list(own_leases.iterdir()) == []


def test_the_listing_and_the_probe_say_who_holds_a_host(
    bench: Path, own_leases: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["leases", "lab.yaml"]) == 0
    assert "nobody holds it, nor a guest on it" in capsys.readouterr().out
    assert invoke(["check", "plan.yaml", "--probe"]) == 0
    assert "host and guest are free" in " ".join(capsys.readouterr().out.split())
    with process(own_leases, "20260801T190000Z-night-1a2b") as child:
        assert invoke(["leases", "lab.yaml", "--json"]) == 0
        host = json.loads(capsys.readouterr().out)["hosts"]["this-machine"]
        assert [(lease["name"], lease["state"], lease["pid"], lease["run"]) for lease in host["leases"]] == [
            (name, "held", child.pid, "20260801T190000Z-night-1a2b") for name in ("guest-here-bookings-1", "host")
        ]
        assert invoke(["leases", "lab.yaml"]) == 0
        assert "20260801T190000Z-night-1a2b: held by a process" in capsys.readouterr().out
        assert invoke(["check", "plan.yaml", "--probe"]) == 4
        assert f"host is held: {host['leases'][0]['owner']} (process {child.pid})" in " ".join(
            capsys.readouterr().out.split()
        )


def test_a_lease_is_broken_by_name_and_a_live_one_only_on_insistence(
    bench: Path, own_leases: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    leases = holder(own_leases)
    leases.take("run-1", "held here", share_host=False)
    both = ["--break", "host", "--break", "guest-here-bookings-1"]
    assert invoke(["leases", "lab.yaml", *both]) == 2
    assert "add --even-if-held" in capsys.readouterr().err
    assert invoke(["leases", "lab.yaml", "--host", "this-machin", *both]) == 2
    assert "hosts of this lab with leases: this-machine" in capsys.readouterr().err
    assert invoke(["leases", "lab.yaml", "--even-if-held"]) == 2
    assert len(standing(own_leases)) == 2
    assert invoke(["leases", "lab.yaml", *both, "--even-if-held"]) == 0
    assert "broken: host on host this-machine" in capsys.readouterr().out
    assert standing(own_leases) == {}
    leases.release()


def test_what_cannot_be_asked_is_told_and_a_model_has_no_leases(
    bench: Path, own_leases: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own_leases.touch()  # a file where the folder would be
    assert invoke(["leases", "lab.yaml"]) == 4
    assert "cannot be written to" in " ".join(capsys.readouterr().out.split())
    assert invoke(["leases", "lab.yaml", "--break", "host"]) == 4
    assert "the leases of host this-machine cannot be reached" in capsys.readouterr().err
    assert invoke(["run", "plan.yaml"]) == 4
    assert "whether host this-machine is free could not be told" in capsys.readouterr().err
    assert not Path("results").exists()
    Path("lab.yaml").write_text(LAB.replace("hypervisor: here", "hypervisor: simulated"))
    assert invoke(["leases", "lab.yaml"]) == 0
    assert "there are no leases" in capsys.readouterr().out
