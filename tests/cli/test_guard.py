"""The guard as a person and a CI job use it: a baseline, the same plan after an upgrade, an exit status to act on."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from orchestrator.cli import invoke
from orchestrator.core.design.trials import cells
from orchestrator.hypervisors.simulated.model import truth
from orchestrator.hypervisors.simulated.settings import SimulatedSettings
from orchestrator.wiring.plans import load_plan

ROOT = Path(__file__).parents[2]
PLAN = """
title: Do the templates keep their rank and their throughput?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2]}
templates:
  - {name: small, shape: one, workload: bookings, threads: 1, share-of-next: 50 %}
  - {name: large, shape: two, workload: bookings, threads: 2}
design: {blocks: 3, seed: 7}
measure:
  warm-up: {at-least: 5 s, at-most: 20 s}
  steady: {at-least: 20 s, at-most: 20 s}
decide: {margin: 5 %}
"""
LAB = """
hosts:
  model:
    hypervisor: simulated
    with:
      neighbours: 0
      cost-per-extra-vcpu: 0 %
      rate: 1000.0
      warm-up: {time-constant: 1 s, depth: 10 %}
      noise: {within: 1 %, correlation: 0 %, between: 0.4 %}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one run of the catalogue, which is the baseline ``before-upgrade``."""
    place = tmp_path_factory.mktemp("guard")
    (place / "plan.yaml").write_text(PLAN)
    (place / "lab.yaml").write_text(LAB)
    store = ["--store", str(place / "results")]
    assert invoke(["run", str(place / "plan.yaml"), "--quiet", *store]) == 0
    assert invoke(["baseline", "set", "before-upgrade", "last", "--note", "July", *store]) == 0
    return place


@pytest.fixture
def place(measured: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Path]:
    """Its folder, as the working directory; the lab is as it was before each test."""
    (measured / "lab.yaml").write_text(LAB)
    monkeypatch.chdir(measured)
    capsys.readouterr()
    yield measured
    for report in measured.glob("*.xml"):
        report.unlink()


def upgraded(place: Path, **changes: str) -> None:
    """The lab after an upgrade: settings of the model replaced."""
    text = LAB
    for key, value in changes.items():
        (old,) = [line for line in LAB.splitlines() if line.strip().startswith(f"{key.replace('_', '-')}:")]
        text = text.replace(old, f"{old.partition(':')[0]}: {value}")
    (place / "lab.yaml").write_text(text)


def test_nothing_worse_is_0_and_says_on_what_it_rests(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--quiet", "--junit", "guard.xml"]) == 0
    told = flat(capsys.readouterr().out)
    assert told.startswith("Guard against baseline before-upgrade: kept Both cells lost no more than the margin of 5 %")
    assert "Each of two templates keeps its rank, and has the share of the next one that is expected." in told
    assert "against baseline before-upgrade: 2" in told
    assert "template shape threads per second of the next interval expected rank" in told
    assert "look again with: trialbed show" in told
    suites = Xml.parse("guard.xml").getroot()
    assert (suites.get("tests"), suites.get("failures")) == ("4", "0")
    assert [case.get("name") for case in suites.iter("testcase")] == [
        "one-bookings-t1",
        "two-bookings-t2",
        "small",
        "large",
    ]


def test_a_slower_host_is_1_and_the_same_run_is_judged_again(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    upgraded(place, rate="850.0")
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--quiet"]) == 1
    assert "worse Slower: small (one-bookings-t1) and large (two-bookings-t2)." in flat(capsys.readouterr().out)
    before = sorted(path.name for path in (place / "results").glob("2*"))
    again = ["guard", "--run", "last", "--against", "before-upgrade"]
    assert invoke([*again, "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert (found["outcome"], found["exit_status"], found["baseline"]) == ("worse", 1, "before-upgrade")
    assert found["slower"] == ["one-bookings-t1", "two-bookings-t2"]
    assert [cell["verdict"] for cell in found["comparison"]["changes"]] == ["slower", "slower"]
    assert [template["rank"] for template in found["templates"]] == [None, "kept"]
    assert invoke([*again, "--markdown", "--junit", "guard.xml"]) == 1
    assert capsys.readouterr().out.startswith("## Guard against baseline before-upgrade: worse\n\nSlower: small")
    assert len(Xml.parse("guard.xml").getroot().findall(".//failure")) == 2
    assert before == sorted(path.name for path in (place / "results").glob("2*")), "nothing was measured"


def test_a_template_that_loses_its_rank_is_1_and_named(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A second vCPU now doubles the CPU time of each operation, so it brings nothing."""
    upgraded(place, cost_per_extra_vcpu="100 %")
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--quiet"]) == 1
    told = flat(capsys.readouterr().out)
    assert "Of two templates, large has lost its rank; small has another share of the next one than expected." in told
    assert "- Template large has lost its rank:" in told


def test_scatter_is_5_and_so_is_a_cell_that_is_not_measured(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    upgraded(place, noise="{within: 1 %, correlation: 0 %, between: 8 %}")
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--quiet"]) == 5
    told = flat(capsys.readouterr().out)
    assert "undecided Open whether more was lost than the margin of 5 %: " in told
    upgraded(place)
    large = "  - {name: large, shape: two, workload: bookings, threads: 2}\n"
    (place / "less.yaml").write_text(PLAN.replace(large, "").replace(", share-of-next: 50 %", ""))
    assert invoke(["guard", "less.yaml", "--against", "before-upgrade", "--quiet"]) == 5
    both = capsys.readouterr()
    told = "undecided, since it will not be compared in 1 of baseline before-upgrade's cells:"
    assert f"{told} trialbed: two-bookings-t2: the new run has no such cell" in flat(both.err)
    assert "In the base and not compared: two-bookings-t2." in flat(both.out)


def test_a_run_out_of_time_is_judged_as_far_as_it_is_and_can_go_on(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--for", "4 min", "--quiet"]) in {0, 5}
    told = capsys.readouterr()
    assert "out of time: the run was to end by " in told.err
    assert "; then judge it with: trialbed guard --run 2" in flat(told.err)
    assert "--against before-upgrade" in flat(told.err)
    assert "Run 2" in told.out


def test_failed_trials_are_3_as_of_a_run(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(LAB.replace("rate: 1000.0", "faults: [{kind: does-not-boot, trial: 2}]"))
    assert invoke(["guard", "plan.yaml", "--against", "before-upgrade", "--quiet"]) == 3
    told = capsys.readouterr()
    assert "Guard against baseline before-upgrade: " in told.out
    assert "one failed; it does not count, and 'trialbed show RUN' says why" in flat(told.out)
    assert "trials failed, so the exit status is 3" in told.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["plan.yaml"], "Missing option '--against'"),
        (["--against", "before-upgrade"], "guard takes either a PLAN to run, or --run RUN"),
        (["plan.yaml", "--run", "last", "--against", "before-upgrade"], "guard takes either a PLAN to run"),
        (["--run", "last", "--against", "before-upgrade", "--for", "1 h"], "--for says how a plan is run"),
        (["--run", "last", "--against", "before-upgrade", "--json", "--markdown"], "exclude each other"),
        (["plan.yaml", "--against", "before-upgrad"], "did you mean 'before-upgrade'?"),
        (["plan.yaml", "--against", "before-upgrade", "--junit", "nowhere/a.xml"], "there is no folder nowhere"),
        (["plan.yaml", "--against", "before-upgrade", "--lab", "none.yaml"], "none.yaml"),
        (
            ["other.yaml", "--against", "before-upgrade"],
            "with baseline before-upgrade in any cell (two-bookings-t2: shape two has 1 GiB, 2 GiB in the new run",
        ),
        (["--run", "2", "--against", "mine"], "is a run of baseline mine itself"),
    ],
)
def test_what_cannot_be_guarded_is_refused_before_anything_is_measured(
    place: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    (place / "other.yaml").write_text(PLAN.replace("memory: 1 GiB", "memory: 2 GiB"))
    runs = sorted(path.name for path in (place / "results").glob("2*"))
    invoke(["baseline", "set", "mine", runs[0], "--replace"])
    capsys.readouterr()
    arguments = [runs[0] if argument == "2" else argument for argument in arguments]
    assert invoke(["guard", *arguments]) == 2
    told = capsys.readouterr()
    assert says in flat(told.err)
    assert told.out == ""
    assert runs == sorted(path.name for path in (place / "results").glob("2*"))


def test_a_baseline_whose_run_was_changed_stops_the_guard_before_it_measures(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    baseline = json.loads((place / "results" / "baselines" / "before-upgrade.json").read_text())
    first = place / "results" / baseline["runs"][0]["run"]
    seal = first / "SHA256SUMS"
    was = seal.read_bytes()
    seal.write_bytes(was + b"\n")
    try:
        assert invoke(["guard", "plan.yaml", "--against", "before-upgrade"]) == 2
        told = flat(capsys.readouterr().err)
        assert f"baseline before-upgrade is not what it was: run {first.name} was changed or resumed since" in told
        assert "trialbed baseline set before-upgrade RUN... --replace" in told
    finally:
        seal.write_bytes(was)


def job() -> str:
    """The shell script that the reference shows as a job of a CI system."""
    (script,) = [
        part.split("```")[0]
        for part in (ROOT / "plans" / "README.md").read_text().split("```sh\n")[1:]
        if part.startswith("# guard-job.sh")
    ]
    return script


@pytest.mark.real
def test_the_job_in_the_reference_passes_the_verdict_on(place: Path, tmp_path: Path) -> None:
    """Run by a POSIX shell as it stands, with the command on its path."""
    command = tmp_path / "trialbed"
    command.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m orchestrator "$@"\n')
    command.chmod(0o755)
    (tmp_path / "guard-job.sh").write_text(job())
    given = {"PLAN": "plan.yaml", "STORE": "results", "PATH": f"{tmp_path}:{os.environ['PATH']}"}

    def run_job() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["/bin/sh", str(tmp_path / "guard-job.sh")],
            env=os.environ | given,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    done = run_job()
    assert (done.returncode, done.stdout) == (0, "nothing became slower\n"), done.stderr
    assert (place / "guard.md").read_text().startswith("## Guard against baseline before-upgrade: kept")
    assert Xml.parse("guard.xml").getroot().get("failures") == "0"
    upgraded(place, rate="850.0")
    done = run_job()
    assert done.returncode == 1
    assert "something became slower" in done.stdout


def test_the_catalogue_that_comes_with_the_project_expects_the_truth_of_its_lab() -> None:
    """The shares that plans/templates.yaml expects, against the model's closed formula, to a percent point."""
    loaded = load_plan(ROOT / "plans" / "templates.yaml", None)
    settings = SimulatedSettings.model_validate(loaded.lab.hosts["model-host"].with_)
    rates = [truth(settings, cell.shape, cell.threads).rate for cell in cells(loaded.plan)]
    for template, lower, upper in zip(loaded.plan.templates, rates, rates[1:], strict=False):
        assert template.share_of_next == pytest.approx(lower / upper, abs=0.01)


def test_check_tells_what_is_asked_of_a_catalogue(capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["check", str(ROOT / "plans" / "templates.yaml")]) == 0
    told = flat(capsys.readouterr().out)
    assert "3 cells x 5 blocks = 15 trials" in told
    assert (
        "templates small, medium and large of bookings: each is to do more than the one before it, and to give small "
        "61 % of medium and medium 69 % of large, within 5 %, intervals at 95 % confidence"
    ) in told
