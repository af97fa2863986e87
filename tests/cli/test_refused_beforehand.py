"""What ``run`` refuses before there is a run, and ``check --probe`` tells: nothing is touched, nothing is kept."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from simulated_run import plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke
from orchestrator.core.record.journal import Event, EventName

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: far, vcpus: 1, memory: 1 GiB, pin: [5]}
  - {name: broad, vcpus: 3, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1]}
design: {blocks: 2}
"""
PLAIN = PLAN.replace(", pin: [5]", ", quota: 50 %")
SIMULATED = """
hosts:
  quay: {hypervisor: simulated, with: {cpus: 2}}
guests:
  bookings-1: {host: quay, may-power-cycle: true}
"""


def by_commands(place: Path, identity: str) -> str:
    """A lab whose commands leave a trace when one is run."""
    run = ["sh", "-c", f"touch {place}/was-run; false"]
    figure = {"json": "x"}
    settings = {
        "describe": {
            "command": run,
            "vcpus": figure,
            "memory": {**figure, "unit": "B"},
            "state": {**figure, "running": ["on"], "stopped": ["off"]},
        },
        "reshape": {"command": run, "quota": ["{quota-percent}"]},
        "counters": {"command": run, "json": {}, "unit": "s"},
        **dict.fromkeys(("save", "restore", "start", "stop"), run),
    }
    host_key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIEexampleexampleexampleexampleexampleexample"
    ssh = {"address": "192.0.2.11", "user": "bench", "identity": identity, "host-key": host_key}
    guest = {"host": "quay", "ssh": ssh, "may-power-cycle": True}
    return json.dumps({"hosts": {"quay": {"hypervisor": "command", "with": settings}}, "guests": {"bookings-1": guest}})


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAIN)
    return tmp_path


def lines(capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, str]]:
    return {line["what"]: line for line in json.loads(capsys.readouterr().out)["readiness"]}


def test_shapes_that_the_host_cannot_give(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "plan.yaml").write_text(PLAN)
    (place / "lab.yaml").write_text(SIMULATED)
    assert invoke(["run", "plan.yaml"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 2
    assert "plan: shapes[1]: guest 'bookings-1' would not be given it: shape 'far' is pinned to CPU 5" in told[0]
    assert "shapes[2]" in told[1]
    assert not (place / "results").exists()

    assert invoke(["check", "plan.yaml", "--probe", "--json"]) == 4
    found = lines(capsys)
    assert [found[f"shape {name}"]["state"] for name in ("one", "far", "broad")] == ["ready", "not ready", "not ready"]


def test_a_key_that_is_not_there(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(by_commands(place, "~/keys/none"))
    assert invoke(["run", "plan.yaml"]) == 2
    told = capsys.readouterr().err
    assert "lab: guests.bookings-1.ssh: guest bench@192.0.2.11:22: the identity file" in told
    assert f"{Path.home()}/keys/none does not exist" in told
    assert sorted(path.name for path in place.iterdir()) == ["lab.yaml", "plan.yaml"]


def kept_run(place: Path, *events: EventName) -> None:
    """A run of this guest in the store, with a journal of these events."""
    record = record_of(plan(guest="bookings-1")).model_copy(update={"hypervisor": "command"})
    writer = FolderStore(place / "results").create(record, {"plan.yaml": b"", "lab.yaml": b""})
    detail = {"guest": "bookings-1", "host": "quay", "domain": "bookings-1"}
    for event in events:
        writer.append(Event(time_utc=record.started_utc, event=event, trial="b1-one-bookings-1", detail=detail))


def test_a_guest_that_a_killed_run_has_not_put_back(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(by_commands(place, "~/keys/none"))
    kept_run(place, "run-started", "guest-saved", "trial-started")
    assert invoke(["run", "plan.yaml"]) == 4
    told = capsys.readouterr().err
    assert "guest 'bookings-1' is not back from run run-1, so nothing was changed" in told
    assert "trialbed restore run-1" in told
    assert not (place / "was-run").exists()
    assert len(list((place / "results").iterdir())) == 1


def test_one_that_was_put_back_is_in_nobodys_way(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text(by_commands(place, "~/keys/none"))
    kept_run(place, "run-started", "guest-saved", "trial-started", "restore-started", "restored", "run-interrupted")
    assert invoke(["run", "plan.yaml"]) == 2
    assert "the identity file" in capsys.readouterr().err, "it comes to the next question"
