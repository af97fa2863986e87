"""Whether a run that has no end goes on or has crashed: by its lock on its machine, else by its sign of life."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from stored_runs import STARTED, event, interrupted_run, whole_run

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.adapters.store.json_file import document
from orchestrator.adapters.store.layout import instant
from orchestrator.adapters.store.living import boot_id
from orchestrator.adapters.store.lock import is_held
from orchestrator.core.record.alive import HEARD_OF_WITHIN_S, Alive

HERE = Path(__file__).parent
ENVIRONMENT = os.environ | {"PYTHONPATH": os.pathsep.join([str(HERE.parents[1]), str(HERE)])}
HOLDER = """
import sys
from pathlib import Path
from orchestrator.adapters.store.folder import FolderStore
writer = FolderStore(Path(sys.argv[1])).reopen("last")[1]
print("held", flush=True)
sys.stdin.read()
"""
HEARD = "2026-08-01T10:20:00.000Z"


def say_alive(location: str, **changes: Any) -> None:
    facts: dict[str, Any] = {"time_utc": HEARD, "pid": 4242, "machine": "another-machine", "boot_id": "another-boot"}
    Path(location, "alive.json").write_bytes(document(Alive(**facts | changes)))


def at(seconds: float, root: Path) -> FolderStore:
    """The store as it is read so long after the sign of life."""
    return FolderStore(root, lambda: instant(HEARD).timestamp() + seconds)


@pytest.mark.real
def test_the_lock_of_another_process_tells_until_it_is_killed(tmp_path: Path) -> None:
    store, writer = interrupted_run(tmp_path)
    writer.seal()
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        for _ in range(2):  # the look itself must not take the lock away
            assert store.find("last").state == "running"
            assert [run.state for run in store.list()] == ["running"]
        say_alive(writer.location, machine=socket.gethostname(), boot_id=boot_id(), pid=holder.pid)
        holder.send_signal(signal.SIGKILL)
        holder.wait(10)
    young = at(1, tmp_path).find("last")
    assert young.state == "crashed", "on its own machine a dead process is known at once, however young its last word"
    assert young.heard_utc == HEARD
    assert young.standing == "crashed, last sign of life 2026-08-01 10:20:00 UTC"


def test_a_look_from_the_same_process_leaves_the_lock_where_it_is(tmp_path: Path) -> None:
    """Closing any descriptor of a file lets go of the process's record locks on it: fcntl(2)."""
    store, writer = interrupted_run(tmp_path)
    for _ in range(2):
        assert store.find("last").state == "running"
    ask = "import sys; from pathlib import Path; from orchestrator.adapters.store.lock import is_held; "
    ask += "print(is_held(Path(sys.argv[1], '.lock')))"
    told = subprocess.run(
        [sys.executable, "-c", ask, writer.location], env=ENVIRONMENT, capture_output=True, text=True, check=True
    )
    assert told.stdout == "True\n", "another process still sees it"
    writer.seal()
    assert not is_held(Path(writer.location, ".lock"))


@pytest.mark.parametrize(
    ("after_s", "state"),
    [
        (0, "running"),
        (HEARD_OF_WITHIN_S - 1, "running"),
        (HEARD_OF_WITHIN_S + 1, "crashed"),
        (-5, "running"),
        (-3600, "crashed"),
    ],
)
def test_from_another_machine_the_age_of_the_sign_of_life_tells(tmp_path: Path, after_s: float, state: str) -> None:
    _, writer = interrupted_run(tmp_path)
    location = writer.location
    del writer
    say_alive(location)
    assert at(after_s, tmp_path).find("last").state == state
    assert [run.state for run in at(after_s, tmp_path).list()] == [state]


def test_a_sign_of_life_from_before_this_machine_was_started_anew_is_judged_by_its_age(tmp_path: Path) -> None:
    _, writer = interrupted_run(tmp_path)
    location = writer.location
    del writer
    say_alive(location, machine=socket.gethostname(), boot_id="an-earlier-start")
    assert at(HEARD_OF_WITHIN_S + 1, tmp_path).find("last").state == "crashed"


@pytest.mark.parametrize("content", ["", "{", '{"schema_version": 2}', "[]"])
def test_a_sign_of_life_that_cannot_be_read_is_none(tmp_path: Path, content: str) -> None:
    _, writer = interrupted_run(tmp_path)
    location = writer.location
    del writer
    Path(location, "alive.json").write_text(content)
    run = at(0, tmp_path).find("last")
    assert (run.state, run.heard_utc) == ("crashed", STARTED), "the journal's last event is the last sign of life then"


def test_a_run_with_an_end_is_what_its_journal_says_whatever_else_is_there(tmp_path: Path) -> None:
    store, writer = whole_run(tmp_path)
    say_alive(writer.location)
    assert at(0, tmp_path).find("last").state == "done"
    assert store.verify("last").findings == (), "the sign of life is none of what is sealed"
    for state in ("out of time", "given up"):
        writer.append(event("run-interrupted", state=state, why="it is half past six"))
        run = at(0, tmp_path).find("last")
        assert (run.state, run.why) == (state, "it is half past six")
        assert run.standing == f"{state}, it is half past six"
