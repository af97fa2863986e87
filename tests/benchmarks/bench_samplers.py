"""CPU time that a sample costs the machine it is taken on: both samplers against a bare ``cat`` loop of the same files.

    python tests/benchmarks/bench_samplers.py [--quick]

The time is that of the sampler's process and its children (getrusage), less what starting and ending it costs.
"""

from __future__ import annotations

import os
import resource
import statistics
import sys
import tempfile
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.adapters.samplers.sampler import Method, Samplers

THREADS = (1, 16, 64)
CLOCK = SystemClock()


def children_s() -> float:
    """CPU time of all children that have ended, and of theirs."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def by_sampler(method: Method, shell: LocalShell, files: list[str], samples: int) -> None:
    """Take samples and end."""
    sampler = Samplers(CLOCK, method).open(shell, machine="host", threads=files)
    for _ in range(samples):
        sampler.sample()
    sampler.close()


def by_cat(shell: LocalShell, files: list[str], samples: int) -> None:
    """The same files by ``cat``, one answer a request."""
    everything = [*files, "/proc/stat", "/proc/loadavg", "/proc/pressure/cpu"]
    there = [path for path in everything if Path(path).exists()]
    loop = shell.start(["sh", "-c", 'while read -r r; do cat "$@"; echo end; done', "sh", *there], end_with_input=False)
    for _ in range(samples):
        loop.write("s\n")
        while (line := loop.wait_line(5.0)) is not None and line.text != "end":
            pass
    loop.stop(5.0)


def a_sample_ms(take: Callable[[int], None], samples: int) -> float:
    """CPU milliseconds a sample."""
    begun = children_s()
    take(0)
    idle = children_s()
    take(samples)
    return ((children_s() - idle) - (idle - begun)) / samples * 1000


def main() -> None:
    """Measure in turns, and print medians and ratios."""
    rounds, samples = (3, 60) if "--quick" in sys.argv[1:] else (5, 200)
    done = threading.Event()
    others = [threading.Thread(target=done.wait, daemon=True) for _ in range(max(THREADS) - 1)]
    for thread in others:
        thread.start()
    paths = [f"/proc/{os.getpid()}/task/{tid.name}/schedstat" for tid in Path("/proc/self/task").iterdir()]
    with tempfile.TemporaryDirectory() as home:
        shell = LocalShell(CLOCK, Path(home))
        for count in THREADS:
            files = paths[:count]
            ways: dict[str, Callable[[int], None]] = {
                "cat": partial(by_cat, shell, files),
                "python": partial(by_sampler, "python", shell, files),
                "shell": partial(by_sampler, "shell", shell, files),
            }
            taken: dict[str, list[float]] = {way: [] for way in ways}
            for _ in range(rounds):
                for way, take in ways.items():
                    # The cheap one needs more of them to stand out from what its start costs.
                    taken[way].append(a_sample_ms(take, samples * 10 if way == "python" else samples))
            cost = {way: statistics.median(times) for way, times in taken.items()}
            shown = ", ".join(f"{way} {ms:.2f} ms (ratio {ms / cost['cat']:.2f})" for way, ms in cost.items())
            print(f"samplers: {count:>2} threads: {shown}")
        shell.close()
    done.set()


if __name__ == "__main__":
    main()
