"""The vCPU layer against a simulated kernel, where the true run and wait of every task are known.

What a vCPU's account has to be follows from the accounting identity (run + wait + idle = wall time) and from what run
delay means in the Linux kernel's documentation (``scheduler/sched-stats.rst``): runnable, but waiting for a CPU.
"""

from __future__ import annotations

import pytest
from here_kernel import Bench, bursts, busy

from orchestrator.hypervisors.here.holds import Ended


@pytest.mark.parametrize("workers", [1, 2, 3, 8, 40])
@pytest.mark.parametrize("vcpus", [1, 2, 3])
def test_own_queueing_is_never_wait(bench, workers, vcpus):
    made = bench(cpus=4, vcpus=vcpus, demands=[busy() for _ in range(workers)])
    run, wait, surplus = (sum(made.shares(2, kind)) for kind in ("run", "wait", "surplus"))
    assert run == pytest.approx(min(workers, vcpus), abs=0.06)
    assert wait == 0
    assert surplus == 0


@pytest.mark.parametrize(("workers", "vcpus"), [(2, 1), (3, 2), (5, 3)])
def test_workers_get_equal_shares(bench, workers, vcpus):
    made = bench(cpus=4, vcpus=vcpus, demands=[busy() for _ in range(workers)])
    made.run(4)
    shares = [thread.run_ns for thread in made.kernel.all.values()]
    assert max(shares) - min(shares) <= 0.05 * max(shares)


def test_without_the_layer_the_same_load_would_seem_to_wait(bench):
    """The check above can fail: as many tasks as vCPUs can admit, on too few CPUs, do wait."""
    made = bench(cpus=1, vcpus=2, demands=[busy(), busy()])
    assert made.shares(2, "wait") == pytest.approx([0.5, 0.5], abs=0.05)


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_wait_is_what_neighbours_take(bench, workers):
    """Two busy neighbours on two CPUs: fair scheduling leaves one vCPU two thirds of a CPU, for any number of tasks."""
    made = bench(cpus=2, vcpus=1, demands=[busy() for _ in range(workers)], neighbours=2)
    (run,), (wait,) = made.shares(3, "run"), made.shares(3, "wait")
    assert run == pytest.approx(2 / 3, abs=0.06)
    assert wait == pytest.approx(1 / 3, abs=0.06)


def test_run_and_wait_fill_the_time_of_a_saturated_vcpu(bench):
    made = bench(cpus=2, vcpus=2, demands=[busy() for _ in range(5)], neighbours=1)
    before = made.layer.counters(made.kernel.now_ns)
    made.run(3)
    after = made.layer.counters(made.kernel.now_ns)
    for vcpu in range(2):
        spent = sum(after[f"vcpu.{vcpu}.{kind}_ns"] - before[f"vcpu.{vcpu}.{kind}_ns"] for kind in ("run", "wait"))
        assert spent / 3e9 == pytest.approx(1, abs=0.03)


def test_a_single_task_leaves_the_other_vcpus_idle(bench):
    made = bench(cpus=4, vcpus=3, demands=[busy(), bursts(0.5, 999)])
    run = sorted(made.shares(3, "run"))
    assert run[2] == pytest.approx(1, abs=0.02)
    assert run[0] + run[1] < 0.01


@pytest.mark.parametrize(
    ("workers", "run_ms", "block_ms", "wanted"),
    [(1, 10, 10, 0.5), (2, 10, 30, 0.5), (4, 10, 10, 1.0), (8, 2, 2, 1.0), (8, 1, 3, 1.0), (3, 5, 15, 0.75)],
)
def test_blocking_tasks_share_one_cpu_s_worth(bench, workers, run_ms, block_ms, wanted):
    """A vCPU gives at most one CPU, and hardly less to tasks that block often than to busy ones."""
    made = bench(cpus=4, vcpus=1, demands=[bursts(run_ms, block_ms) for _ in range(workers)])
    (run,) = made.shares(4, "run")
    assert wanted * 0.85 <= run <= wanted + 0.02
    assert made.shares(2, "wait") == [0]


def test_run_is_the_cpu_time_of_all_tasks(bench):
    made = bench(cpus=4, vcpus=2, demands=[busy(), busy(), busy(), bursts(1, 2), bursts(7, 40)])
    made.run(1)
    counted = sum(v for k, v in made.layer.counters(made.kernel.now_ns).items() if k.endswith("run_ns"))
    assert counted == sum(thread.run_ns for thread in made.kernel.all.values())


def test_wait_in_doubt_is_bounded_by_the_surplus(bench):
    """Tasks that wake beside the principal on a full host: their queueing among themselves cannot be told apart."""
    made = bench(cpus=1, vcpus=1, demands=[bursts(2, 2) for _ in range(4)])
    wait, surplus = made.shares(3, "wait")[0], made.shares(3, "surplus")[0]
    assert surplus > 0.05
    assert wait <= surplus + 0.02  # there is no neighbour: the truth is 0


def test_new_tasks_and_tasks_that_end_are_followed(bench):
    made: Bench = bench(cpus=2, vcpus=1, demands=[busy()])
    short = made.kernel.spawn(iter([(30_000_000, 0)]))
    made.layer.track([short.pid])
    made.run(0.5)
    assert short.run_ns == 30_000_000
    (run,) = made.shares(1, "run")
    assert run == pytest.approx(1, abs=0.02)


def test_a_held_task_that_is_killed_leaves_the_queue(bench):
    made: Bench = bench(cpus=2, vcpus=1, demands=[busy(), busy()])
    held = next(thread for thread in made.kernel.all.values() if thread.stopped)
    held.ended = True
    made.layer.hear(Ended(held.tid), made.kernel.now_ns)
    (run,) = made.shares(1, "run")
    assert run == pytest.approx(1, abs=0.02)


def test_a_held_task_that_somebody_else_lets_go_is_held_again(bench):
    made: Bench = bench(cpus=2, vcpus=1, demands=[busy(), busy()])
    for _ in range(20):
        for thread in made.kernel.all.values():
            if thread.stopped:
                made.kernel.let_go(thread.pid, thread.tid)
        made.run(0.2)
    counters = made.layer.counters(made.kernel.now_ns)
    assert counters["vcpu.0.run_ns"] / made.kernel.now_ns < 1.2


def test_tasks_that_cannot_be_held_are_surplus(bench):
    made: Bench = bench(cpus=2, vcpus=1, demands=[])
    for _ in range(2):
        thread = made.kernel.spawn(busy())
        thread.refuses_holds = True
        made.layer.track([thread.pid])
    made.run(0.2)
    (surplus,) = made.shares(1, "surplus")
    assert surplus == pytest.approx(1, abs=0.1)


def test_letting_all_go_leaves_nobody_held(bench):
    made: Bench = bench(cpus=2, vcpus=1, demands=[busy() for _ in range(5)])
    assert any(thread.stopped for thread in made.kernel.all.values())
    made.layer.let_all_go()
    made.run(0.1)
    assert not any(thread.stopped or thread.stop_asked for thread in made.kernel.all.values())


def test_a_kernel_without_run_delay_gives_no_wait(bench):
    made: Bench = bench(cpus=2, vcpus=2, demands=[busy()])
    made.kernel.has_schedstat = False
    assert set(made.layer.counters(made.kernel.now_ns)) == {"vcpu.0.run_ns", "vcpu.1.run_ns"}


def test_looks_are_rare_while_there_is_nothing_to_decide(bench):
    made: Bench = bench(cpus=2, vcpus=2, demands=[busy(), busy()])
    made.run(1)
    assert made.layer.step(made.kernel.now_ns) >= 40_000_000


def test_threads_that_come_and_go_between_two_looks_are_counted(bench):
    """They are never seen; the process's own CPU time tells (in ticks of 10 ms). Their run is in doubt as a whole."""
    made: Bench = bench(cpus=2, vcpus=1, demands=[bursts(1, 9)])
    parent = next(iter(made.kernel.all.values()))
    before = made.layer.counters(made.kernel.now_ns)
    for _ in range(40):
        made.kernel.spawn(iter([(5_000_000, 0)]), pid=parent.pid)
        made.run(0.02)
    after = made.layer.counters(made.kernel.now_ns)
    truth_ns = 40 * 5_000_000 + 80 * 1_000_000
    assert after["vcpu.0.run_ns"] - before["vcpu.0.run_ns"] == pytest.approx(truth_ns, abs=60_000_000)
    assert after["vcpu.0.surplus_ns"] - before["vcpu.0.surplus_ns"] == pytest.approx(40 * 5_000_000, abs=60_000_000)
