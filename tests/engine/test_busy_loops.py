"""The program behind busy loops, with real shells: it runs what it says, and leaves nothing behind whatever ends it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from orchestrator.engine.busy_loops import busy_loops

pytestmark = pytest.mark.real

SHELLS = [shell for shell in (["dash"], ["bash"], ["bash", "--posix"], ["busybox", "ash"]) if shutil.which(shell[0])]
WITHIN_S = 20
CPU = min(os.sched_getaffinity(0))


class Loops:
    """The program under one shell."""

    def __init__(self, shell: list[str], count: int, *cpus: int, path: str | None = None) -> None:
        environment = None if path is None else {"PATH": path}
        program = [shutil.which(shell[0]) or "", *shell[1:], *busy_loops(count, cpus)[1:]]
        self.process = subprocess.Popen(
            program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
        )
        lines = [self.line() for _ in range(count + 1)]
        self.made = next(line for line in lines if line.startswith("made "))
        self.pids = [int(line.split()[1]) for line in lines if line.startswith("loop ")]

    def line(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().rstrip("\n")

    def ask(self) -> str:
        assert self.process.stdin is not None
        self.process.stdin.write("look\n")
        self.process.stdin.flush()
        return self.line()

    def living(self) -> list[int]:
        return [pid for pid in self.pids if state(pid) not in {"", "Z", "X"}]


def state(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return ""


def ticks(pid: int) -> int:
    """CPU time used, user and system (fields 14 and 15; Linux man-pages, proc_pid_stat)."""
    return sum(map(int, Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11:13]))


def wait_until(true: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end, f"not within {WITHIN_S} s: {what}"
        time.sleep(0.01)


@pytest.fixture(params=SHELLS, ids=" ".join)
def shell(request: pytest.FixtureRequest) -> list[str]:
    return request.param


@pytest.fixture
def started() -> Iterator[list[Loops]]:
    every: list[Loops] = []
    yield every
    for loops in every:
        loops.process.kill()
        loops.process.wait()
        for stream in (loops.process.stdin, loops.process.stdout, loops.process.stderr):
            assert stream is not None
            stream.close()
        for pid in loops.living():
            os.kill(pid, signal.SIGKILL)


def test_it_runs_as_many_as_asked_each_in_a_session_of_its_own(shell: list[str], started: list[Loops]) -> None:
    loops = Loops(shell, 3)
    started.append(loops)
    assert loops.made == "made 3 apart"
    assert len(loops.living()) == 3
    assert [os.getsid(pid) for pid in loops.pids] == loops.pids
    assert loops.ask() == "running 3"
    before = {pid: ticks(pid) for pid in loops.pids}
    wait_until(lambda: all(ticks(pid) > used + 5 for pid, used in before.items()), "each uses CPU time")


def test_it_deals_out_the_cpus_in_turn(shell: list[str], started: list[Loops]) -> None:
    cpus = sorted(os.sched_getaffinity(0))[:2]
    loops = Loops(shell, 3, *cpus)
    started.append(loops)
    bound = sorted(min(os.sched_getaffinity(pid)) for pid in loops.pids)
    assert all(len(os.sched_getaffinity(pid)) == 1 for pid in loops.pids)
    assert bound == sorted((cpus * 3)[:3])


@pytest.mark.parametrize("end", ["input", signal.SIGTERM, signal.SIGHUP, signal.SIGKILL])
def test_nothing_is_left_whatever_ends_it(shell: list[str], started: list[Loops], end: str | int) -> None:
    loops = Loops(shell, 2)
    started.append(loops)
    if end == "input":
        assert loops.process.stdin is not None
        loops.process.stdin.close()
    else:
        loops.process.send_signal(int(end))
    wait_until(lambda: not loops.living(), "all loops are gone")
    status = loops.process.wait(timeout=WITHIN_S)
    assert status == {"input": 0, signal.SIGKILL: -signal.SIGKILL}.get(end, 1)


def test_a_loop_that_is_killed_is_missed(shell: list[str], started: list[Loops]) -> None:
    loops = Loops(shell, 2)
    started.append(loops)
    os.kill(loops.pids[0], signal.SIGKILL)
    wait_until(lambda: len(loops.living()) == 1, "it is gone")
    assert loops.ask() == "running 1"


def test_without_setsid_they_run_together(shell: list[str], started: list[Loops], tmp_path: Path) -> None:
    (tmp_path / "taskset").symlink_to(shutil.which("taskset") or "")
    (tmp_path / "true").symlink_to(shutil.which("true") or "")
    loops = Loops(shell, 2, CPU, path=str(tmp_path))
    started.append(loops)
    # Some builds of busybox have a setsid inside the shell, which no path can take from it.
    asked = [str(shutil.which(shell[0])), *shell[1:], "-c", "command -v setsid"]
    has_one = subprocess.run(asked, env={"PATH": "/nowhere"}, check=False, capture_output=True)
    assert loops.made == f"made 2 {'apart' if has_one.returncode == 0 else 'together'}"
    assert loops.ask() == "running 2"
    assert loops.process.stdin is not None
    loops.process.stdin.close()
    wait_until(lambda: not loops.living(), "all loops are gone")


def refused(shell: list[str], *cpus: int, path: str | None = None) -> str:
    program = [shutil.which(shell[0]) or "", *shell[1:], *busy_loops(2, cpus)[1:]]
    environment = None if path is None else {"PATH": path}
    done = subprocess.run(
        program, input="", capture_output=True, text=True, env=environment, timeout=WITHIN_S, check=False
    )
    assert (done.returncode, done.stdout) == (3, "")
    return done.stderr


def test_a_cpu_that_is_not_there_is_named(shell: list[str]) -> None:
    assert refused(shell, CPU, 60_000) == (
        "no loop can run on CPU 60000: the machine has no such CPU, or this login may not use it\n"
    )


def test_a_machine_without_taskset_is_told_what_to_do(tmp_path: Path) -> None:
    assert "there is no taskset" in refused(["dash"], CPU, path=str(tmp_path))
