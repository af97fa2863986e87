"""A simulated run that goes on for as long as a test looks at it, in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

PACKAGE = Path(__file__).parents[2]
PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [2]}
design: {blocks: BLOCKS, seed: 7}
measure:
  warm-up: {at-least: 5 s, at-most: 10 s}
  steady: {at-least: 10 s, at-most: 10 s}
decide: {margin: 10 %}
"""
LAB = """
hosts:
  model: {hypervisor: simulated, with: {seed: 1}}
guests:
  bookings-1: {host: model, may-power-cycle: true}
"""
WITHIN_S = 60


def write(folder: Path, blocks: int, lab: str = LAB, name: str = "plan.yaml") -> None:
    """Plan and lab; some 50 trials are done in a second."""
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(PLAN.replace("BLOCKS", str(blocks)))
    (folder / name).with_name("lab.yaml").write_text(lab)


@contextmanager
def running(
    arguments: Sequence[str], folder: Path, environment: Mapping[str, str] | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A command that has begun its second trial; killed at the end where it is still there."""
    search = {"PYTHONPATH": f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}"}
    process = subprocess.Popen(
        arguments,
        cwd=folder,
        env=os.environ | search if environment is None else environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        wait_until(lambda: process.poll() is not None or len(list(folder.glob("results/*/trials/0*"))) > 1)
        assert process.poll() is None, process.communicate()
        yield process
    finally:
        process.kill()
        process.communicate()


def trialbed(*arguments: str) -> list[str]:
    """The command, in a process of its own."""
    return [sys.executable, "-m", "orchestrator", *arguments]


def journal(folder: Path) -> list[dict[str, object]]:
    """The events of the only run below."""
    (path,) = folder.glob("results/*/journal.jsonl")
    return [json.loads(line) for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")]


def wait_until(true: Callable[[], bool]) -> None:
    """Wait for a fact about other processes, which nothing announces to us."""
    end = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end, f"not within {WITHIN_S} s"
        time.sleep(0.02)
