"""A run that ends at any change it makes on the disk, by a kill or a power cut, goes on as if nothing had been.

A power cut is tried at every change, none is sampled: each line of the journal and each file and name in the store.
What it may take is what fsync(2) and rename(2) (Linux man-pages) leave open. A kill takes less. Cuts that leave the
same bytes are one case: whoever goes on sees nothing else of the past.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import shutil
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import pytest
from cut_short import CUT, LOADED, command, preload
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
#: Of the kills, each so manyth is tried; power cuts are never left out.
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


def gone_on(folder: Path) -> Told:
    """Go on with a run that was cut, as its user would."""
    status, _, said = command(words_for(folder), folder, lambda: here(folder))
    if "there is nothing left to resume" not in said:
        assert status == 0, said
    return told(folder)


def words_for(folder: Path) -> list[str]:
    return ["resume", "last", "-q"] if begun(folder) else ["run", "plan.yaml", "-q"]


def difference(one: Any, other: Any, where: str = "") -> str:
    """Where two values are not the same, but for the rounding of sums that began at other times; empty if nowhere."""
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return next(filter(None, (difference(one[key], other[key], f"{where}/{key}") for key in one)), "")
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return next(filter(None, (difference(*pair, f"{where}/{at}") for at, pair in pairs)), "")
    if isinstance(one, float) and isinstance(other, float) and math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9):
        return ""
    return "" if one == other else f"{where}: {str(one)[:200]} instead of {str(other)[:200]}"


def what_is_wrong(undisturbed: Told, folder: Path, cut: Callable[[Path], None] | None) -> str:
    """Cut a run short, unless its folder is what a cut left, and see it through. What is wrong, in words; or empty."""
    try:
        if cut is not None:
            cut(make(folder))
        after = gone_on(folder)
        assert not (other := difference(after.trials, undisturbed.trials)), f"the trials are others: {other}"
        assert not (other := difference(after.guest, undisturbed.guest)), f"the guest is not as it was: {other}"
    except Exception as error:  # noqa: BLE001 - whatever it was, it is told with the cut that led to it
        at = traceback.extract_tb(error.__traceback__)[-1]
        words = " | ".join(str(error).split("\n"))[-600:]
        return f"cut {folder.name} ({folder}): {type(error).__name__} in {at.name}, line {at.lineno}: {words}"
    shutil.rmtree(folder)
    return ""


def power_cuts(folder: Path, copies: Path) -> list[Path]:
    """Go on with the run of a folder, or begin it; what a cut of the power at each change leaves, each state once."""
    status, changes, said = command(words_for(folder), folder, lambda: here(folder), copies=copies)
    assert status == 0, said
    left = [copies / str(at) for at in range(1, changes + 1)]
    states: dict[bytes, Path] = {}
    for copy in left:
        if states.setdefault(state_of(copy), copy) != copy:
            shutil.rmtree(copy)
    return [*states.values()]


def state_of(folder: Path) -> bytes:
    """A digest of all that a command finds: the store with every byte, but for the sign of life, and the host."""
    seen = hashlib.sha256((folder / HOST).read_bytes() if (folder / HOST).exists() else b"")
    for path in sorted(path for path in (folder / "results").rglob("*") if path.name != "alive.json"):
        content = path.read_bytes() if path.is_file() else b""
        seen.update(f"\0{path.relative_to(folder)}\0{path.is_dir()}\0{len(content)}\0".encode() + content)
    return seen.digest()


def killed(folder: Path, at: int) -> None:
    """Begin a run, and kill it at a change of the disk."""
    status, _, said = command(["run", "plan.yaml", "-q"], folder, lambda: here(folder), cut_at=at)
    assert status == CUT, said


def test_wherever_the_power_is_cut_a_run_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    assert undisturbed.changes > 200
    left = power_cuts(make(tmp_path / "whole"), tmp_path / "cuts")
    assert len(left) > 50
    assert_ends_alike(undisturbed, left)


def test_wherever_a_run_is_killed_it_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    places = [tmp_path / str(at) for at in range(1, undisturbed.changes + 1, EACH)]
    assert_ends_alike(undisturbed, places, lambda folder: killed(folder, int(folder.name)))


def test_wherever_a_resumed_run_is_cut_again_it_goes_on_to_the_same_end(undisturbed: Told, tmp_path: Path) -> None:
    killed(make(tmp_path / "whole"), undisturbed.changes // 2)
    left = power_cuts(tmp_path / "whole", tmp_path / "cuts")
    assert len(left) > 50
    assert_ends_alike(undisturbed, left)


def assert_ends_alike(undisturbed: Told, places: Sequence[Path], cut: Callable[[Path], None] | None = None) -> None:
    """Try all of them, every other one in a second process, since most machines have two CPUs."""
    theirs = places[0].parent / "wrong.json"
    other = os.fork()
    if not other:
        try:
            theirs.write_text(json.dumps([what_is_wrong(undisturbed, place, cut) for place in places[1::2]]))
        finally:
            os._exit(0)
    wrong = [what_is_wrong(undisturbed, place, cut) for place in places[::2]]
    os.waitpid(other, 0)
    wrong = [words for words in (*wrong, *json.loads(theirs.read_text())) if words]
    if wrong:  # in one line, which the last lines of the suite's output repeat
        pytest.fail(f"{len(wrong)} of {len(places)}: {'; '.join(wrong[:3])}", pytrace=False)
