"""A load to measure: searches the fares of an invented ferry line and prints its rate once a second.

Usage: ``python3 fare_search.py --workers N``. Ends, workers and all, when it is ended or nobody reads its output.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from multiprocessing.sharedctypes import Synchronized

PORTS = ("Saltmarsh", "Gull Island", "Northquay", "Heron Point", "Westerhaven", "Lantern Bay")
CROSSINGS = {
    (a, b): 900 + 137 * (i * len(PORTS) + j) % 2600 for i, a in enumerate(PORTS) for j, b in enumerate(PORTS) if a != b
}
#: Searches between two looks at the parent.
BATCH = 100


def cheapest(start: str, end: str) -> int:
    """The lowest fare in pence from port to port with at most two changes, by trying them all."""
    best = CROSSINGS[start, end]
    for first in PORTS:
        for second in PORTS:
            legs = [leg for leg in ((start, first), (first, second), (second, end)) if leg[0] != leg[1]]
            best = min(best, sum(CROSSINGS[leg] for leg in legs) + 150 * (len(legs) - 1))
    return best


def work(done: Synchronized[int]) -> None:
    """Search one pair of ports after the other and count, for as long as the parent lives."""
    pairs = list(CROSSINGS)
    position = 0
    parent = multiprocessing.parent_process()
    while parent is not None and parent.is_alive():
        for _ in range(BATCH):
            cheapest(*pairs[position % len(pairs)])
            position += 1
        done.value += BATCH


def main() -> None:
    """Start the workers and print their joint rate once a second."""
    parser = argparse.ArgumentParser(description="Search ferry fares and print the rate.")
    parser.add_argument("--workers", type=int, default=1)
    counts = [multiprocessing.Value("q", 0, lock=False) for _ in range(parser.parse_args().workers)]
    for count in counts:
        multiprocessing.Process(target=work, args=(count,), daemon=True).start()
    start = before = time.monotonic()
    seen = 0
    try:
        while True:
            time.sleep(max(0.0, before + 1 - time.monotonic()))
            now, total = time.monotonic(), sum(count.value for count in counts)
            rate = (total - seen) / (now - before)
            sys.stdout.write(f"fares: {rate:.1f} searches/s after {now - start:.3f} s\n")
            sys.stdout.flush()
            before, seen = now, total
    except (BrokenPipeError, KeyboardInterrupt):
        sys.stderr.close()


if __name__ == "__main__":
    main()
