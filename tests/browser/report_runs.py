"""Stored runs of every kind that a report may be asked for, and the reports on them, each made once."""

from __future__ import annotations

import contextlib
import io
import json
from functools import cached_property
from pathlib import Path
from typing import Any

import hostile_run
import stored_runs
from library_of_runs import keep_run
from observed_runs import Extent, observed_run

from orchestrator.cli import invoke

PLAN = """
title: Does the bookings database gain from more vCPUs on a busy host?
lab: LAB
guest: bookings-1
shapes:
  - {name: one, vcpus: 1, memory: 1 GiB}
  - {name: two, vcpus: 2, memory: 1 GiB}
  - {name: four, vcpus: 4, memory: 2 GiB}
workloads:
  - {name: bookings, use: bookings, threads: [1, 2]}
design: {blocks: 3, seed: 7}
measure:
  warm-up: {at-least: 20 s, at-most: 1 min}
  steady: {at-least: 60 s, at-most: 2 min}
decide: {margin: 5 %}
"""
#: A model with known truth: neighbours that always want a CPU, vCPUs that run only together, caches that fill.
LAB = """
hosts:
  model-host:
    hypervisor: simulated
    with:
      cpus: 4
      neighbours: 4
      gang: true
      rate: RATE
      warm-up: {time-constant: 8 s, depth: 40 %}
      noise: {within: 3 %, correlation: 50 %, between: 1 %}
      seed: 3
guests:
  bookings-1: {host: model-host, may-power-cycle: true}
"""
#: Operations a second, and the kernel of the host.
NIGHTS = (
    *((rate, "6.1.0-31") for rate in (2400, 2410, 2391, 2404, 2397)),
    *((rate, "6.1.0-32") for rate in (2261, 2252, 2266)),
)


class Library:
    """One store with all of them."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.store = folder, folder / "results"
        self._reports: dict[tuple[str, ...], Path] = {}

    def _simulated(self, name: str, rate: float) -> str:
        (self.folder / f"{name}.yaml").write_text(PLAN.replace("LAB", f"{name}-lab.yaml"), encoding="utf-8")
        (self.folder / f"{name}-lab.yaml").write_text(LAB.replace("RATE", str(rate)), encoding="utf-8")
        plan = str(self.folder / f"{name}.yaml")
        run: str = json.loads(said("run", plan, "--store", str(self.store), "--quiet", "--json"))["run"]["id"]
        return run

    @cached_property
    def night(self) -> str:
        """A simulated run of eighteen trials."""
        return self._simulated("night", 120.0)

    @cached_property
    def slower(self) -> str:
        """The same on a host on which every operation takes a tenth longer."""
        return self._simulated("slower", 108.0)

    @cached_property
    def nights(self) -> tuple[str, ...]:
        """Eight runs of one cell; from the sixth on the host has another kernel, and the cell is slower."""
        return tuple(
            keep_run(self.store, day, [level * 0.997, level * 1.001, level * 1.002], host={"kernel": kernel})
            for day, (level, kernel) in enumerate(NIGHTS)
        )

    @cached_property
    def hundred(self) -> str:
        """A hundred trials of ten minutes, with every series."""
        return observed_run(self.store, Extent())

    @cached_property
    def hostile(self) -> str:
        """A run whose every text wants to be something else than text."""
        return hostile_run.hostile_run(self.store)

    @cached_property
    def cut_off(self) -> str:
        """A run that ended after its first trial, without a word."""
        _, writer = stored_runs.interrupted_run(self.store, title="Does the fare search gain from a second vCPU?")
        return writer.id

    def report(self, *runs: str) -> Path:
        """The page that ``trialbed report`` writes about some of them."""
        if runs not in self._reports:
            page = self.folder / f"report-{len(self._reports)}.html"
            said("report", *runs, "-o", str(page), "--store", str(self.store))
            self._reports[runs] = page
        return self._reports[runs]

    def shown(self, run: str) -> dict[str, Any]:
        """What ``trialbed show --json`` prints about one."""
        found: dict[str, Any] = json.loads(said("show", run, "--store", str(self.store), "--json"))
        return found

    def compared(self, base: str, new: str) -> dict[str, Any]:
        """What ``trialbed compare --json`` prints of two."""
        found: dict[str, Any] = json.loads(
            said("compare", base, new, "--store", str(self.store), "--json", wanted=None)
        )
        return found

    def trial(self, run: str, number: int) -> dict[str, Any]:
        """What ``trialbed show --json`` prints about one trial."""
        found: dict[str, Any] = json.loads(said("show", run, str(number), "--store", str(self.store), "--json"))
        return found


def said(*arguments: str, wanted: int | None = 0) -> str:
    """What a command prints, whose exit status is known beforehand or is of no interest."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = invoke(list(arguments))
    assert wanted in {None, status}, err.getvalue()
    return out.getvalue()
