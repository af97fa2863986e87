"""Prints what the vCPU layer measures of loads whose true shares are known.

Run it as ``python tests/hypervisors/here/measure_layer.py [SECONDS]``.

Shares are percent of one CPU. ``others`` is what everything but the guest used of this machine meanwhile, ``layer`` the
CPU time of the guest's own process: on a machine whose CPUs are all wanted, the guest's wait cannot be less than what
these took.
"""

from __future__ import annotations

import os
import sys
from contextlib import nullcontext
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[2])]

from here_guest import GuestUnderTest, neighbours, shape  # noqa: E402 - after the path is set
from test_here_measured import THREADS, WORKERS  # noqa: E402

from orchestrator.hypervisors.here.tasks import Proc  # noqa: E402

#: vCPUs, what runs, its arguments, neighbours or not.
LOADS = [
    (1, "1 worker", WORKERS, (1, 60, 0), False),
    (1, "2 workers", WORKERS, (2, 60, 0), False),
    (1, "4 workers", WORKERS, (4, 60, 0), False),
    (2, "1 worker", WORKERS, (1, 60, 0), False),
    (2, "2 workers", WORKERS, (2, 60, 0), False),
    (2, "3 workers", WORKERS, (3, 60, 0), False),
    (1, "3 threads", THREADS, (3,), False),
    (1, "2 workers, 20 ms on, 20 ms off", WORKERS, (2, 0.02, 0.02), False),
    (1, "4 workers, 20 ms on, 20 ms off", WORKERS, (4, 0.02, 0.02), False),
    (1, "4 workers, 2 ms on, 2 ms off", WORKERS, (4, 0.002, 0.002), False),
    (1, "1 worker", WORKERS, (1, 60, 0), True),
    (1, "2 workers", WORKERS, (2, 60, 0), True),
    (2, "1 worker", WORKERS, (1, 60, 0), True),
    (2, "2 workers", WORKERS, (2, 60, 0), True),
    (2, "4 workers", WORKERS, (4, 60, 0), True),
    (1, "4 workers, 20 ms on, 20 ms off", WORKERS, (4, 0.02, 0.02), True),
]


def measured(guest: GuestUnderTest, seconds: float) -> dict[str, list[float]]:
    """The shares over some seconds, with the layer's own."""
    before = Proc().stat(guest.process)
    shares = guest.shares(seconds)
    after = Proc().stat(guest.process)
    if before is None or after is None:
        raise RuntimeError("the guest's process has ended")
    return {**shares, "layer": [(after.ticks - before.ticks) / os.sysconf("SC_CLK_TCK") / seconds]}


def main(seconds: float) -> None:
    """One line for each load: the quietest of three rounds."""
    print(
        f"{'vCPUs':5} {'load':32} {'neighbours':10} {'run':>11} {'wait':>11} {'surplus':>11} {'others':>6} {'layer':>6}"
    )
    guest = GuestUnderTest()
    try:
        for vcpus, name, program, arguments, contended in LOADS:
            with neighbours() if contended else nullcontext():
                guest.start(shape(vcpus))
                guest.launch(program, *arguments).wait_line(10)
                guest.clock.sleep(0.5)
                shares = min((measured(guest, seconds) for _ in range(3)), key=lambda found: found["others"][0])
                guest.hypervisor.stop(5)
            kinds = ("run_ns", "wait_ns", "surplus_ns")
            texts = [f"{' + '.join(f'{100 * share:.0f}' for share in shares[kind]):>11}" for kind in kinds]
            last = f"{100 * shares['others'][0]:6.0f} {100 * shares['layer'][0]:6.1f}"
            print(f"{vcpus:<5} {name:32} {'yes' if contended else 'no':10} {' '.join(texts)} {last}", flush=True)
    finally:
        guest.close()


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 3.0)
