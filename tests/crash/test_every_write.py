"""A run that ends at any change it makes on the disk, by a kill or a power cut, goes on as if nothing had been.

A power cut is tried at every change, none is sampled: each line of the journal and each file and name in the store.
What it may take is what fsync(2) and rename(2) (Linux man-pages) leave open. A kill takes less.
"""

from __future__ import annotations

import json
import math
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest
from cut_short import CUT, LOADED, How, command, preload
from lasting_driver import LastingDriver

from orchestrator.engine.ports import Driver
from orchestrator.wiring import drivers as known

PLAN = """
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes: [{name: two, vcpus: 2, memory: 1 GiB}]
workloads: [{name: bookings, use: bookings, threads: [2]}]
design: {blocks: 2, seed: 7}
measure:
  every: 1 s
  warm-up: {at-least: 1 s, at-most: 5 s}
  steady: {at-least: 8 s, at-most: 8 s}
"""
LAB = """
hosts: {quay: {hypervisor: lasting, with: {cpus: 4, neighbours: 0, warm-up: {depth: 0 %}, boot: 2 s}}}
guests: {bookings-1: {host: quay, may-power-cycle: true}}
"""
HOST = "host.json"
#: What of a trial's record tells when it was made, and in how many tries; everything else has to be the same.
WHEN = ("started_utc", "ended_utc", "seconds", "launched_monotonic_s", "clocks", "stages", "files")
#: Of the kills and the pairs of cuts, each so manyth is tried; power cuts are never left out.
EACH = int(os.environ.get("TRIALBED_TEST_EACH", "5"))


def here(folder: Path) -> None:
    """Make the lab of a folder known to the command."""
    known.drivers.cache_clear()
    cast("dict[str, Driver]", known.drivers())["lasting"] = LastingDriver(folder / HOST)


def make(folder: Path) -> Path:
    """A folder with plan and lab."""
    folder.mkdir(parents=True)
    (folder / "plan.yaml").write_text(PLAN)
    (folder / "lab.yaml").write_text(LAB)
    return folder


@dataclass(frozen=True)
class Told:
    """What a finished run left.

    Attributes:
        trials: by id, without what tells when they were made.
        guest: the host's own word about the guest.
        changes: of the disk that the command made.
    """

    trials: dict[str, Any]
    guest: Any
    changes: int


def told(folder: Path, changes: int = 0) -> Told:
    """Read a run back, and insist on what holds for each that is finished."""
    (run,) = (path for path in (folder / "results").iterdir() if not path.name.startswith("."))
    trials = {}
    for path in sorted((run / "trials").iterdir()):
        record = json.loads((path / "trial.json").read_text())
        trials[path.name] = without_times(record)
    events = [json.loads(line) for line in (run / "journal.jsonl").read_text().splitlines()]
    ended = [event["trial"] for event in events if event["event"] == "trial-ended"]
    assert len(ended) == len(set(ended)), f"a trial was counted twice: {ended}"
    assert set(trials) >= set(ended)
    assert events[-1]["event"] == "run-ended"
    assert not (run / "unfinished").exists() or not list((run / "unfinished").iterdir())
    status, _, said = command(["verify", run.name], folder, lambda: here(folder))
    assert status == 0, said
    return Told(trials, json.loads((folder / HOST).read_text()), changes)


def without_times(record: dict[str, Any]) -> dict[str, Any]:
    kept = {name: value for name, value in record.items() if name not in WHEN}
    kept["seen_inside"] = {name: value for name, value in kept["seen_inside"].items() if name != "boot_id"}
    return kept


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Told:
    """The run as it is when nothing happens."""
    folder = make(tmp_path_factory.mktemp("undisturbed") / "place")
    for word in ("run", "resume"):  # what a resume loads is loaded by one that is refused
        command([word, "plan.yaml" if word == "run" else "last", "-q"], folder, lambda: here(folder))
        preload(folder / LOADED)
    shutil.rmtree(folder)
    make(folder)
    status, changes, said = command(["run", "plan.yaml", "-q"], folder, lambda: here(folder))
    assert status == 0, said
    return told(folder, changes)


def begun(folder: Path) -> bool:
    """Whether there is a run in the store."""
    store = folder / "results"
    return store.is_dir() and any(not path.name.startswith(".") for path in store.iterdir())


def gone_on(folder: Path, cut_at: int = 0, how: How = "killed") -> Told | None:
    """Go on with a run that was cut, as its user would; ``None`` where that was cut as well."""
    words = ["resume", "last", "-q"] if begun(folder) else ["run", "plan.yaml", "-q"]
    status, changes, said = command(words, folder, lambda: here(folder), cut_at=cut_at, how=how)
    if status == CUT:
        return None
    if "there is nothing left to resume" not in said:
        assert status == 0, said
    return told(folder, changes)


def alike(one: Any, other: Any) -> bool:
    """Whether two values are the same, but for the rounding of sums that began at other times."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return bool(one == other)


def ends_as(undisturbed: Told, folder: Path, *cuts: tuple[int, How]) -> str:
    """Cut a new run, and what goes on with it, at these changes; then see it through. What is wrong, in words."""
    make(folder)
    try:
        for at, how in cuts:
            if gone_on(folder, at, how) is not None:
                break  # it had fewer changes left to make
        after = gone_on(folder)
        assert after is not None
        assert alike(after.trials, undisturbed.trials), "the trials are others"
        assert after.guest == undisturbed.guest, "the guest is not as it was"
    except AssertionError as error:
        return f"{cuts}: {str(error)[-600:]}"
    shutil.rmtree(folder)
    return ""


def test_wherever_the_power_is_cut_a_run_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    assert undisturbed.changes > 200
    ends_alike(undisturbed, tmp_path, [((at, "power cut"),) for at in range(1, undisturbed.changes + 1)])


def test_wherever_a_run_is_killed_it_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    ends_alike(undisturbed, tmp_path, [((at, "killed"),) for at in range(1, undisturbed.changes + 1, EACH)])


def test_wherever_a_resumed_run_is_cut_again_it_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    middle = undisturbed.changes // 2
    points = range(1, undisturbed.changes - middle + 40, EACH)
    ends_alike(undisturbed, tmp_path, [((middle, "killed"), (at, "power cut")) for at in points])


def ends_alike(undisturbed: Told, place: Path, all_cuts: Sequence[tuple[tuple[int, How], ...]]) -> None:
    """Try all of them, every other one in a second process, since most machines have two CPUs."""
    other = os.fork()
    if not other:
        try:
            (place / "wrong.json").write_text(json.dumps(wrong_of(undisturbed, place, all_cuts, first=1)))
        finally:
            os._exit(0)
    wrong = wrong_of(undisturbed, place, all_cuts, first=0)
    os.waitpid(other, 0)
    wrong += json.loads((place / "wrong.json").read_text())
    assert not wrong, f"{len(wrong)} of {len(all_cuts)}: {wrong[:5]}"


def wrong_of(
    undisturbed: Told, place: Path, all_cuts: Sequence[tuple[tuple[int, How], ...]], *, first: int
) -> list[str]:
    """What is wrong after every other of the cuts."""
    chosen = [*enumerate(all_cuts)][first::2]
    return [words for at, cuts in chosen if (words := ends_as(undisturbed, place / str(at), *cuts))]
