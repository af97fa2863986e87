"""What the driver measures of real load on this machine.

Truth comes from outside the layer: the CPU time that processes report of themselves (POSIX CPU clocks), and the
kernel's account of the whole machine (/proc/stat). Other work on this machine is true waiting, so each expectation
allows for what others used, and a round may be repeated.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from here_guest import GuestUnderTest, neighbours, shape

from orchestrator.hypervisors.here.tasks import Proc
from orchestrator.workloads import bookings

pytestmark = [pytest.mark.real, pytest.mark.skipif(not Proc().has_schedstat, reason="this kernel has no schedstat")]

#: Beside the layer's own cost (see the README of the drivers): steps of 4 to 10 ms in the counters, twice, in 0.9 s.
SLACK = 0.06
SECONDS = 0.9
Shares = dict[str, list[float]]

WORKERS = """
import os, sys, time
workers, run_s, block_s = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3])
def work():
    while True:
        began = time.thread_time()
        while time.thread_time() - began < run_s:
            sum(range(2000))
        time.sleep(block_s)
for _ in range(workers):
    if os.fork() == 0:
        work()
print("ready", flush=True)
os.wait()
"""

THREADS = """
import hashlib, sys, threading
block = bytes(1 << 16)
def work():
    while True:
        hashlib.sha256(block).digest()
for _ in range(int(sys.argv[1])):
    threading.Thread(target=work).start()
print("ready", flush=True)
"""

FOR_A_WHILE = """
import hashlib, os, sys, threading, time
block, end = bytes(1 << 16), time.monotonic() + float(sys.argv[2])
def work():
    while time.monotonic() < end:
        hashlib.sha256(block).digest()
threads = [threading.Thread(target=work) for _ in range(int(sys.argv[1]))]
for thread in threads: thread.start()
for thread in threads: thread.join()
print(time.process_time(), flush=True)
time.sleep(60)
"""


def measure(
    guest: GuestUnderTest, vcpus: int, check: Callable[[Shares], None], program: str, *arguments: object
) -> None:
    """Check the shares of a load; see :func:`repeat`."""
    guest.start(shape(vcpus))
    process = guest.launch(program, *arguments)
    line = process.wait_line(10)
    assert line is not None, process.errors()
    assert line.text == "ready"
    guest.clock.sleep(0.3)
    repeat(guest, check)


def repeat(guest: GuestUnderTest, check: Callable[[Shares], None]) -> None:
    """Check shares in up to six rounds: other work on this machine may spoil some, a defect spoils all."""
    for spoilt in range(6):
        shares = guest.shares(SECONDS)
        try:
            check(shares)
        except AssertionError:
            if spoilt == 5:
                raise
        else:
            return


def saturated(shares: Shares) -> None:
    """Every vCPU is full, and waits no longer than others kept it waiting."""
    for run, wait in zip(shares["run_ns"], shares["wait_ns"], strict=True):
        assert run + wait == pytest.approx(1, abs=SLACK + max(shares["surplus_ns"]))
    assert sum(shares["wait_ns"]) <= shares["others"][0] + SLACK


@pytest.mark.parametrize("workers", [2, 4])
def test_one_vcpu_waits_for_nobody_but_neighbours(guest, workers):
    """Confined to a CPU by affinity instead, two workers read 50 % run and 50 % wait each with no neighbour at all."""
    measure(guest, 1, saturated, WORKERS, workers, 60, 0)


@pytest.mark.parametrize("workers", [2, 3])
def test_two_vcpus_run_twice_as_much(guest, workers):
    def check(shares: Shares) -> None:
        saturated(shares)
        if len(os.sched_getaffinity(0)) >= 2:
            assert sum(shares["run_ns"]) >= 2 - shares["others"][0] - 2 * SLACK

    measure(guest, 2, check, WORKERS, workers, 60, 0)


def test_threads_of_one_process_are_held_one_by_one(guest):
    def check(shares: Shares) -> None:
        saturated(shares)
        assert shares["run_ns"][0] <= 1 + SLACK

    measure(guest, 1, check, THREADS, 3)


def test_the_second_vcpu_of_a_single_threaded_load_is_idle(guest):
    def check(shares: Shares) -> None:
        used = sorted(run + wait for run, wait in zip(shares["run_ns"], shares["wait_ns"], strict=True))
        assert used[0] < 0.05
        assert used[1] == pytest.approx(1, abs=SLACK)

    measure(guest, 2, check, WORKERS, 1, 60, 0)


def test_neighbours_on_every_cpu_make_a_vcpu_wait(guest):
    """With one busy neighbour on each CPU, fair scheduling leaves a vCPU half a CPU or somewhat more."""

    def check(shares: Shares) -> None:
        assert shares["run_ns"][0] + shares["wait_ns"][0] == pytest.approx(1, abs=SLACK)
        more = max(0.0, shares["others"][0] - 0.75 * len(os.sched_getaffinity(0)))
        assert 0.25 <= shares["wait_ns"][0] <= 0.6 + more

    with neighbours():
        measure(guest, 1, check, WORKERS, 2, 60, 0)


def test_blocking_workers_get_one_cpu_s_worth(guest):
    def check(shares: Shares) -> None:
        (run,), (wait,), (surplus,) = shares["run_ns"], shares["wait_ns"], shares["surplus_ns"]
        assert run <= 1 + SLACK
        assert run >= 0.8 - shares["others"][0]
        assert wait - surplus <= shares["others"][0] + SLACK

    measure(guest, 1, check, WORKERS, 4, 0.02, 0.02)


def test_the_bookings_load_on_one_vcpu_waits_for_nobody_but_neighbours(guest):
    """Four workers, each with a database of its own, and the parent that counts and prints."""
    guest.start(shape(1))
    shell = guest.login()
    shell.put({"bookings.py": Path(bookings.__file__).read_bytes()}, "load")
    shell.run(["python3", "bookings.py", "prepare", "--bookings", "1000"], folder="load", timeout_s=30)
    argv = ["python3", "bookings.py", "run", "--bookings", "1000", "--threads", "4"]
    process = shell.start(argv, folder="load")
    assert process.wait_line(30) is not None, process.errors()

    def check(shares: Shares) -> None:
        saturated(shares)
        assert shares["surplus_ns"][0] < 0.05 + shares["others"][0] / 2

    repeat(guest, check)


def test_the_run_counted_is_the_cpu_time_that_the_process_reports(guest):
    guest.start(shape(1))
    before = guest.hypervisor.counters().values["vcpu.0.run_ns"]
    line = guest.launch(FOR_A_WHILE, 3, 1.5).wait_line(20)
    after = guest.hypervisor.counters().values["vcpu.0.run_ns"]
    assert line is not None
    assert (after - before) / 1e9 == pytest.approx(float(line.text), rel=0.05, abs=0.03)


def test_commands_too_short_to_be_seen_are_counted(guest):
    """A shell that starts one short command after the other, against what it reports itself (POSIX ``times``)."""
    guest.start(shape(1))
    before = guest.hypervisor.counters().values
    loop = "i=0; while [ $i -lt 400 ]; do /bin/true; i=$((i+1)); done; times; echo end; sleep 60"
    process = guest.login().start(["sh", "-c", loop])
    texts = []
    while not texts or texts[-1] != "end":
        line = process.wait_line(30)
        assert line is not None
        texts.append(line.text)
    after = guest.hypervisor.counters().values
    told = [re.fullmatch(r"(\d+)m([\d.]+)s", text) for text in " ".join(texts[:-1]).split()]
    reported_s = sum(60 * int(match[1]) + float(match[2]) for match in told if match)
    counted_s = (after["vcpu.0.run_ns"] - before["vcpu.0.run_ns"]) / 1e9
    assert counted_s == pytest.approx(reported_s, rel=0.1, abs=0.06)


def test_equal_workers_get_equal_shares(guest):
    guest.start(shape(2))
    guest.launch(WORKERS, 3, 60, 0).wait_line(10)
    guest.clock.sleep(2)
    proc = Proc()
    parent = next(pid for pid in proc.descendants([guest.process]) if len(proc.children(pid)) == 3)
    used = sorted(stat.ticks for pid in proc.children(parent) if (stat := proc.stat(pid)) is not None)
    assert used[0] >= 10
    assert used[0] >= 0.75 * used[-1]


def test_the_layer_costs_little(guest):
    """CPU time of the guest's own process, beside a load that never needs to be held and one that always does."""
    seconds = 1.5
    for workers, most in ((1, 0.02), (4, 0.06)):
        guest.start(shape(1))
        guest.launch(WORKERS, workers, 60, 0).wait_line(10)
        guest.clock.sleep(0.3)
        before = Proc().stat(guest.process)
        guest.clock.sleep(seconds)
        after = Proc().stat(guest.process)
        assert before is not None
        assert after is not None
        assert (after.ticks - before.ticks) / 100 / seconds <= most
