"""Both ways of holding tasks, on real processes; in a process of its own, since it waits for all its children."""

from __future__ import annotations

import json
import subprocess
import sys
import textwrap

import pytest

from orchestrator.hypervisors.here.tasks import Proc

pytestmark = [pytest.mark.real, pytest.mark.skipif(not Proc().has_schedstat, reason="this kernel has no schedstat")]

PROGRAM = textwrap.dedent("""
    import json, os, signal, sys, time
    sys.path[:0] = sys.argv[3:]
    from orchestrator.hypervisors.here import holds
    from orchestrator.hypervisors.here.tasks import Proc
    from orchestrator.hypervisors.here.vcpus import VcpuLayer

    holder, workers = getattr(holds, sys.argv[1])(), int(sys.argv[2])
    pids = []
    for _ in range(workers):
        pids.append(os.fork())
        if pids[-1] == 0:
            while True:
                pass
    proc = Proc()
    layer = VcpuLayer(1, proc, holder, time.monotonic_ns())
    layer.track(pids)

    def drive(seconds):
        end_ns = time.monotonic_ns() + int(seconds * 1e9)
        while time.monotonic_ns() < end_ns:
            for item in holds.news():
                layer.hear(item, time.monotonic_ns())
            delay_ns = layer.step(time.monotonic_ns())
            signal.sigtimedwait({signal.SIGCHLD}, delay_ns / 1e9)

    def used():
        return [int(open(f"/proc/{pid}/schedstat").read().split()[0]) for pid in pids]

    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
    drive(0.4)
    before, began_ns, counted = used(), time.monotonic_ns(), layer.counters(time.monotonic_ns())
    drive(1.2)
    after, ended_ns, counts = used(), time.monotonic_ns(), layer.counters(time.monotonic_ns())
    os.kill(pids[0], signal.SIGKILL)  # perhaps while it is held
    drive(0.3)
    left = [pid for pid in pids if (stat := proc.stat(pid)) is not None and stat.state not in "ZX"]
    layer.let_all_go()
    drive(0.1)
    states = [proc.stat(pid).state for pid in left]
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    wall = ended_ns - began_ns
    print(json.dumps({
        "shares": [(b - a) / wall for a, b in zip(before, after)],
        "run": (counts["vcpu.0.run_ns"] - counted["vcpu.0.run_ns"]) / wall,
        "left": len(left),
        "states": states,
    }))
""")


@pytest.mark.parametrize(("way", "workers"), [("Tracing", 3), ("Stopping", 2)])
def test_busy_processes_share_one_vcpu(way, workers):
    """Against the kernel's own account of the processes: one CPU together, the same for each, and nobody stays held."""
    arguments = [sys.executable, "-c", PROGRAM, way, str(workers), *sys.path]
    done = subprocess.run(arguments, capture_output=True, text=True, timeout=60, check=False)
    if not done.stdout and way == "Tracing":
        pytest.skip("this machine forbids ptrace")
    told = json.loads(done.stdout)
    assert sum(told["shares"]) <= 1.08
    assert max(told["shares"]) <= 1.4 * min(told["shares"]) + 0.03
    assert told["run"] == pytest.approx(sum(told["shares"]), abs=0.06)
    assert told["left"] == workers - 1
    assert set(told["states"]) == {"R"}
