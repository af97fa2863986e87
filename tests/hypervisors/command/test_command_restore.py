"""``trialbed restore`` with real commands in front of a guest: put back, compared, refused, and loud where it fails."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from command_lab import FakeLab, commands, shape
from simulated_run import plan, record_of

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.cli import invoke
from orchestrator.core.record.journal import Event, progress
from orchestrator.engine.ports import SavedGuest

pytestmark = pytest.mark.real

HOST_KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIEexampleexampleexampleexampleexampleexample"


def lab_text(place: Path) -> str:
    """A lab whose one guest is behind commands of the folder."""
    ssh = {"address": "192.0.2.21", "user": "bench", "host-key": HOST_KEY}
    guest = {"host": "quay", "domain": "bookings-db", "ssh": ssh, "may-power-cycle": True, "force-off": True}
    host = {"hypervisor": "command", "with": commands(place)}
    return json.dumps({"hosts": {"quay": host}, "guests": {"bookings-1": guest}})


class Abandoned:
    """A run whose process was killed in its first trial: the guest is on, in a shape of the run's."""

    def __init__(self, folder: Path) -> None:
        self.lab = FakeLab(folder / "quay")
        self.folder, self.store = folder, FolderStore(folder / "results")
        self.hypervisor = self.lab.open()
        self.hypervisor.start()
        self.saved = self.hypervisor.save()
        record = record_of(plan()).model_copy(update={"hypervisor": "command", "versions": {}})
        writer = self.store.create(record, {"plan.yaml": b"", "lab.yaml": lab_text(folder / "quay").encode()})
        writer.keep_before("bookings-1", self.saved)
        detail = {"guest": "bookings-1", "host": "quay", "domain": "bookings-db"}
        for event in ("run-started", "guest-saved", "trial-started"):
            writer.append(Event(time_utc=record.started_utc, event=event, trial="b1", detail=detail))  # type: ignore[arg-type]
        writer._lock.release()  # type: ignore[union-attr] - as the end of its process does
        self.hypervisor.stop(5)
        self.hypervisor.reshape(shape(4), self.saved)
        self.hypervisor.start()

    def now(self) -> SavedGuest:
        return self.hypervisor.save()

    def events(self) -> list[str]:
        return [event.event for event in self.store.journal(self.store.find("last"))]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Abandoned:
    (tmp_path / "quay").mkdir()
    monkeypatch.chdir(tmp_path)
    return Abandoned(tmp_path)


def test_an_abandoned_run_is_put_back_exactly_and_may_be_again(run: Abandoned, capsys) -> None:
    assert invoke(["restore", "last", "--check"]) == 1
    told = capsys.readouterr().out
    assert "bookings-1: not as it was before the run" in told
    assert run.now() != run.saved, "comparing touches nothing"
    assert run.events()[-1] == "trial-started"

    assert invoke(["restore", "last"]) == 0
    assert capsys.readouterr().out == "bookings-1: put back, definition and power state (switched on)\n"
    assert run.now() == run.saved
    assert run.events()[-4:] == ["leases-taken", "restore-started", "restored", "leases-released"]
    assert progress(run.store.journal(run.store.find("last"))).guest_is_back
    assert invoke(["restore", "last", "--check"]) == 0

    capsys.readouterr()
    run.lab.calls()
    assert invoke(["restore", "run-1", "--json"]) == 0
    [guest] = json.loads(capsys.readouterr().out)["guests"]
    assert guest == {"guest": "bookings-1", "running": True, "touched": False}
    assert {call.split()[0] for call in run.lab.calls()} <= {"describe", "save"}, "one that is as it was is not touched"
    assert run.store.verify("last").sealed


def test_a_read_only_copy_on_another_machine_will_do(run: Abandoned, capsys) -> None:
    """Root writes where it may not: so the copy's journal is a folder, which nobody can write to."""
    copy = run.folder / "copy"
    shutil.copytree(run.store.find("last").location, copy)
    shutil.rmtree(run.folder / "results")
    (copy / "lab.yaml").unlink()
    (copy / ".lock").mkdir()
    other = run.folder / "moved.yaml"
    other.write_text(lab_text(run.folder / "quay"))
    assert invoke(["restore", str(copy), "--lab", str(other)]) == 0
    out, errors = capsys.readouterr()
    assert "put back" in out
    assert "what is done now is not written into the run's journal" in errors
    assert run.now() == run.saved


def test_a_run_that_goes_on_is_left_alone(run: Abandoned, capsys) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from orchestrator.adapters.store.folder import FolderStore\n"
        "store = FolderStore(Path('results')); writer = store.writer(store.find('last'))\n"
        "print('held', flush=True); sys.stdin.read()"
    )
    path = os.environ | {"PYTHONPATH": str(Path(__file__).parents[3])}
    holder = subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=path
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    before = run.now()
    assert invoke(["restore", "last"]) == 2
    assert "run run-1 is in progress: its guests are in its hands" in capsys.readouterr().err
    assert run.now() == before
    assert invoke(["restore", "last", "--check"]) == 1, "comparing touches nothing, and may be done at any time"
    holder.communicate(timeout=30)


def test_where_it_fails_the_last_words_are_what_finishes_it_and_they_do(run: Abandoned, capsys) -> None:
    run.lab.moods(restore="fails")
    assert invoke(["restore", "last"]) == 3
    lines = capsys.readouterr().err.partition("trialbed: NOT")[2].splitlines()
    lines[0] = f"NOT{lines[0]}"
    assert "NOT PUT BACK: guest 'bookings-1' is not as it was before the run: restore: " in lines[0]
    assert "no such" in lines[0]
    assert lines[1] == f"Once that is mended: trialbed restore {run.folder}/results/run-1"
    typed = [line.strip() for line in lines[3:]]
    assert run.now() != run.saved

    assert invoke(["show", "last"]) == 0
    shown, errors = capsys.readouterr()
    assert "NOT PUT BACK: guest bookings-1" in shown
    assert all(line in errors for line in typed)
    assert "trialbed restore run-1" in shown

    run.lab.moods()
    subprocess.run(["sh"], input="\n".join(typed), text=True, check=True, timeout=60, cwd="/")
    assert run.now() == run.saved
    assert invoke(["restore", "last"]) == 0, "and the journal learns of it"
    assert invoke(["show", "last"]) == 0
    assert "NOT PUT BACK" not in capsys.readouterr().out


def test_a_host_that_cannot_be_asked_is_told_from_a_guest_that_differs(run: Abandoned, capsys) -> None:
    run.lab.moods(describe="fails")
    assert invoke(["restore", "last", "--check", "--json"]) == 4
    [guest] = json.loads(capsys.readouterr().out)["guests"]
    assert guest["found"] == "unknown"
    assert "describe" in guest["lines"][0]


def test_a_damaged_definition_is_never_put_back(run: Abandoned, capsys) -> None:
    (run.folder / "results/run-1/before/bookings-1/definition/definition").write_bytes(b"{}")
    before = run.now()
    assert invoke(["restore", "last"]) == 3, "the loudest of all: the guest is not back"
    said = capsys.readouterr().err
    assert "NOT PUT BACK" in said
    assert "was changed after it was written" in said
    assert run.now() == before


def test_a_lab_without_the_guest_says_so(run: Abandoned, capsys) -> None:
    other = run.folder / "other.yaml"
    other.write_text(lab_text(run.folder / "quay").replace("bookings-1", "tickets-1"))
    assert invoke(["restore", "last", "--lab", str(other)]) == 2
    assert "guests.bookings-1: is missing" in capsys.readouterr().err


def test_a_run_that_had_not_looked_at_a_guest_has_nothing_to_put_back(run: Abandoned, capsys) -> None:
    shutil.rmtree(run.folder / "results/run-1/before")
    assert invoke(["restore", "last"]) == 0
    assert "keeps no guest" in capsys.readouterr().out


def test_an_interrupt_does_not_cut_it_short(run: Abandoned, capsys, mocker) -> None:
    real = FolderStore.writer

    def interrupted(store: FolderStore, stored: object) -> object:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGTERM)
        return real(store, stored)  # type: ignore[arg-type]

    mocker.patch.object(FolderStore, "writer", interrupted)
    assert invoke(["restore", "last"]) == 0
    assert capsys.readouterr().err.count("still putting the guest back") == 2
    assert run.now() == run.saved
