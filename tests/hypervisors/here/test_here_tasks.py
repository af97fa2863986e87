"""Reading /proc; the order of fields is that of the kernel documentation (``filesystems/proc.rst``, table 1-4)."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from orchestrator.hypervisors.here.tasks import Proc, parse_stat

# pid (comm) state ppid pgrp session tty tpgid flags minflt cminflt majflt cmajflt utime stime ... field 39 is the CPU
LINE = b"77 (%s) S 42 77 70 0 -1 4194304 1 2 3 4 1500 250 60 7 20 0 1 0 99 " + b"0 " * 16 + b"3 0 0 0 0 0\n"


@pytest.mark.parametrize("name", [b"sh", b"a b", b"x) R 1 (y", b"((", b"\xff\xfe"])
def test_stat_is_read_whatever_the_name(name):
    stat = parse_stat(LINE % name)
    assert (stat.state, stat.parent, stat.session, stat.ticks, stat.cpu) == ("S", 42, 70, 1750, 3)
    assert stat.family_ticks == 1817


@pytest.mark.parametrize("content", [b"", b"77 (sh) S 42", b"77 sh"])
def test_a_stat_line_cut_short_is_refused(content):
    with pytest.raises(ValueError, match=r"cut short|subsection not found"):
        parse_stat(content)


def test_stat_agrees_with_the_process_itself():
    stat = Proc().stat(os.getpid())
    assert stat is not None
    assert (stat.parent, stat.session) == (os.getppid(), os.getsid(0))


@pytest.mark.real
def test_schedstat_counts_the_cpu_time_of_a_thread():
    """Against the POSIX clock of the same thread (clock_gettime(2), CLOCK_THREAD_CPUTIME_ID)."""
    import time

    proc = Proc()
    if not proc.has_schedstat:
        pytest.skip("this kernel has no schedstat")
    files = proc.open(os.getpid(), threading.get_native_id())
    first, first_ns = files.counters(), time.thread_time_ns()
    while time.thread_time_ns() - first_ns < 100_000_000:
        pass
    os.sched_yield()
    last, last_ns = files.counters(), time.thread_time_ns()
    files.close()
    assert first is not None
    assert last is not None
    assert last.run_ns - first.run_ns == pytest.approx(last_ns - first_ns, abs=12_000_000)  # one timer tick at 100 Hz


@pytest.fixture
def family():
    """A shell with a shell below it that has two children, one of them in a session of its own."""
    command = "sh -c 'sleep 30 & setsid sleep 30 & echo ready; wait' & wait"
    shell = subprocess.Popen(["sh", "-c", command], stdout=subprocess.PIPE, start_new_session=True)
    assert shell.stdout is not None
    assert shell.stdout.readline() == b"ready\n"
    yield shell.pid
    for pid in Proc().descendants([shell.pid]):
        os.kill(pid, 9)
    shell.wait()
    shell.stdout.close()


@pytest.mark.real
@pytest.mark.parametrize("has_lists", [True, False])
def test_descendants_are_found(family, has_lists):
    proc = Proc()
    proc._lists_children = proc._lists_children and has_lists
    found = proc.descendants([family])
    assert found[0] == family
    assert len(found) == 4
    assert os.getpid() not in found


def test_ended_roots_have_no_descendants():
    child = subprocess.Popen([sys.executable, "-c", "pass"])
    child.wait()
    assert Proc().descendants([child.pid]) == []
    assert Proc().threads(child.pid) == []
    assert Proc().stat(child.pid) is None
    with pytest.raises(OSError, match=str(child.pid)):
        Proc().open(child.pid, child.pid)


def _fake_proc(root: Path, schedstat: str | None) -> Path:
    for folder in (root / "self", root / "7/task/7"):
        folder.mkdir(parents=True)
        if schedstat is not None:
            (folder / "schedstat").write_text(schedstat)
    (root / "loadavg").write_text("0.00 0.00 0.00 1/100 7\n")
    (root / "7/task/7/stat").write_bytes(LINE % b"sh")
    return root


@pytest.mark.parametrize("schedstat", [None, "0 0 0\n"])
def test_a_kernel_that_does_not_count_run_delay(tmp_path, schedstat):
    """Then run comes from the ticks of stat (USER_HZ, 100 a second on Linux), and wait is unavailable, not 0."""
    proc = Proc(_fake_proc(tmp_path, schedstat))
    assert not proc.has_schedstat
    files = proc.open(7, 7)
    counters = files.counters()
    files.close()
    assert counters is not None
    assert (counters.run_ns, counters.wait_ns) == (1750 * 10_000_000, None)


def test_counters_that_did_not_move_are_told_apart(tmp_path):
    proc = Proc(_fake_proc(tmp_path, "12 34 5\n"))
    files = proc.open(7, 7)
    first, second = files.counters(), files.counters()
    (tmp_path / "7/task/7/schedstat").write_text("13 34 5\n")
    third = files.counters()
    files.close()
    files.close()
    assert first is not None
    assert (first.run_ns, first.wait_ns) == (12, 34)
    assert second is None
    assert third is not None
    assert third.run_ns == 13
