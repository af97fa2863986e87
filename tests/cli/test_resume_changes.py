"""``trialbed resume`` of a run around which something has changed: all of it told, nothing touched, or accepted."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path

import pytest
from message_server import MessageServer

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.writing import FolderWriter
from orchestrator.cli import invoke
from orchestrator.core.record.journal import Event
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.hypervisors.simulated.shell import SimulatedConnector

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1]}
design: {blocks: 2}
measure:
  warm-up: {at-least: 10 s, at-most: 1 min}
  steady: {at-least: 30 s, at-most: 1 min}
"""
LAB = """
hosts:
  quay: {hypervisor: simulated, with: {cpus: 4}}
guests:
  bookings-1: {host: quay, may-power-cycle: true}
"""


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of a run that was interrupted after its first trial."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB)
    append = FolderWriter.append

    def interrupted(writer: FolderWriter, event: Event) -> None:
        append(writer, event)
        if event.event == "trial-ended":
            os.kill(os.getpid(), signal.SIGTERM)

    with monkeypatch.context() as patch:
        patch.setattr(FolderWriter, "append", interrupted)
        assert invoke(["run", "plan.yaml", "--quiet"]) == 130
    return Path(FolderStore(tmp_path / "results").find("last").location)


def refused(capsys: pytest.CaptureFixture[str], *options: str) -> list[str]:
    """The lines with which a resume is refused; nothing is written then."""
    capsys.readouterr()
    assert invoke(["resume", "last", *options]) == 2
    return capsys.readouterr().err.splitlines()


def events(run: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in (run / "journal.jsonl").read_text().splitlines()]


def test_files_that_were_changed_are_told_and_may_be_accepted(run: Path, capsys) -> None:
    program = next((run / "inputs").rglob("*.py"))
    program.write_text(program.read_text() + "# edited\n")
    (run / "lab.yaml").write_text(LAB + "# moved\n")
    before = events(run)
    lines = refused(capsys)
    assert len(lines) == 3
    assert f"{run.name}: lab.yaml: was sha256 " in lines[0]
    assert f"{run.name}: bookings/{program.name}: was sha256 " in lines[1]
    assert "--accept-changes" in lines[2]
    assert events(run) == before

    assert invoke(["resume", "last", "--accept-changes"]) == 0
    capsys.readouterr()
    [noted] = [event for event in events(run) if event["event"] == "changes-accepted"]
    assert len(noted["detail"]["changes"]) == 2  # type: ignore[index]
    assert invoke(["show", "last"]) == 0
    shown = capsys.readouterr().out
    assert "Changed while the run lay, and accepted" in shown
    assert "lab.yaml: was sha256" in shown
    assert invoke(["verify", "last"]) == 0


def test_a_plan_that_gives_other_trials_is_refused_whatever_is_accepted(run: Path, capsys) -> None:
    (run / "plan.yaml").write_text(PLAN.replace("blocks: 2", "blocks: 3"))
    for options in ((), ("--accept-changes",)):
        lines = refused(capsys, *options)
        assert any("plan.yaml: gave 2 trials, gives 3 now" in line for line in lines)
        assert "does not help here" in lines[-1]


def test_records_that_were_changed_are_not_sealed_anew_unless_that_is_accepted(run: Path, capsys) -> None:
    for record in (run / "run.json", next(run.glob("trials/*/trial.json"))):
        record.write_bytes(record.read_bytes() + b"\n")
    lines = refused(capsys)
    assert ["run.json" in lines[0], "trial.json" in lines[1]] == [True, True]
    assert all("was sealed, and is missing or changed; restore it from a copy" in line for line in lines[:2])
    assert invoke(["resume", "last", "--accept-changes", "--quiet"]) == 0
    assert any("run.json: was sealed" in change for change in FolderStore(run.parent).find("last").accepted)


def test_a_trial_that_was_spoiled_is_run_again_without_a_question(run: Path) -> None:
    next(run.glob("trials/*/trial.json")).write_text("{")
    assert invoke(["resume", "last", "--quiet"]) == 0
    assert FolderStore(run.parent).find("last").complete


def test_another_lab_is_told_field_by_field_and_kept_once_accepted(run: Path, capsys) -> None:
    other = run.parents[1] / "other.yaml"
    other.write_text(LAB.replace("cpus: 4", "cpus: 6"))
    lines = refused(capsys, "--lab", str(other))
    assert "lab: hosts.quay.with.cpus: was 4, is 6" in lines[0]
    assert (run / "lab.yaml").read_text() == LAB
    assert invoke(["resume", "last", "--lab", str(other), "--accept-changes", "--quiet"]) == 0
    assert (run / "lab.yaml").read_bytes() == other.read_bytes()
    assert (run / "discarded/lab.yaml-1/lab.yaml").read_text() == LAB


def test_a_lab_that_was_changed_is_told_where_guests_are_looked_for_by_it(run: Path, capsys) -> None:
    (run / "lab.yaml").write_text(LAB + "# edited\n")
    capsys.readouterr()
    assert invoke(["restore", "last", "--check"]) == 0
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("trialbed: lab.yaml: was sha256 ")
    assert line.endswith("; guests are looked for where it says now")


def test_the_same_lab_under_another_name_is_no_change(run: Path) -> None:
    other = run.parents[1] / "copy.yaml"
    other.write_text(LAB + "# a copy\n")
    assert invoke(["resume", "last", "--lab", str(other), "--quiet"]) == 0
    assert (run / "lab.yaml").read_text() == LAB


def test_another_version_of_this_program_is_told_and_may_be_accepted(run: Path, capsys, mocker) -> None:
    mocker.patch("orchestrator.wiring.going_on.version_of", return_value="9.9.9")
    assert "trialbed: was " in refused(capsys)[0]
    assert invoke(["resume", "last", "--accept-changes", "--quiet"]) == 0


@pytest.mark.parametrize("name", ["plan.yaml", "lab.yaml"])
def test_an_input_that_is_gone_is_asked_for(run: Path, capsys, name: str) -> None:
    (run / name).unlink()
    lines = refused(capsys, "--accept-changes")
    assert f"{name}: was kept, is missing; put the file back from a copy" in lines[0]


def test_a_key_that_is_gone_is_told_before_anything(run: Path, capsys, mocker) -> None:
    other = run.parents[1] / "other.yaml"
    other.write_text(LAB.replace("with:", "ssh: {address: 192.0.2.10, user: bench, identity: ~/keys/none}, with:"))
    mocker.patch.object(SimulatedDriver, "host_login", "lab")
    mocker.patch.object(SimulatedConnector, "obstacle", return_value="the identity file ~/keys/none does not exist")
    before = events(run)
    lines = refused(capsys, "--lab", str(other), "--accept-changes")
    assert "hosts.quay.ssh" in lines[0]
    assert "keys/none does not exist" in lines[0]
    assert events(run) == before


def test_a_refusal_to_go_on_is_told_to_whoever_the_lab_names(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("apprise")
    (run / "lab.yaml").write_text(f"{LAB}notify:\n  - {{environment: TRIALBED_NEWS, when: [failed]}}\n")
    with MessageServer(200).up() as server:
        monkeypatch.setenv("TRIALBED_NEWS", server.address)
        assert invoke(["resume", "last", "--quiet"]) == 2
    (message,) = server.received
    assert message["title"].startswith("trialbed: refused: ")
    assert "lab.yaml: was sha256" in message["message"]
    assert f"trialbed status {run.name} --store " in message["message"]
