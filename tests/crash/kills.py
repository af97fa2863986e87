"""Real runs on this machine, killed at random instants and gone on with, until they are finished.

    python tests/crash/kills.py [--kills 500] [--seed 1]

Each command is a fork of this process, so that a kill finds the run at work and not its imports; the guest is a process
guest, with real SSH, real leases and a real store. After each kill: no process of the guest is left, and no finished
trial is lost. At the end of each run: every trial once, every file as its digest says, no lease, nothing left in the
folder of the guests.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from orchestrator.cli import invoke

PLAN = r"""
title: How fast is a fare search?
lab: lab.yaml
guest: bookings-1
shapes: [{name: one, vcpus: 1, memory: 512 MiB}, {name: two, vcpus: 2, memory: 512 MiB}]
workloads:
  - name: fares
    threads: [1]
    command: [sh, fares.sh]
    files: [fares.sh]
    reader: {pattern: '(?P<value>[0-9]+) searches', figure: count}
design: {blocks: 2, seed: 7}
measure:
  every: 100 ms
  warm-up: {at-least: 0 s, at-most: 500 ms}
  steady: {at-least: 500 ms, at-most: 500 ms}
"""
LAB = """
hosts: {this-machine: {hypervisor: here}}
guests: {bookings-1: {host: this-machine, may-power-cycle: true}}
"""
LOAD = "i=0; while :; do i=$((i + 10)); echo $i searches; sleep 0.05; done\n"
TRIALS = 4
WITHIN_S = 30.0


@dataclass
class Tally:
    """What was done and seen.

    Attributes:
        kills: commands that were killed before they ended.
        runs: runs that were seen through.
        discarded: trials that were begun and cut off.
        wrong: what was not as it should be, each with the run's folder.
    """

    kills: int = 0
    runs: int = 0
    discarded: int = 0
    wrong: list[str] = field(default_factory=list)


def begin(arguments: Sequence[str], place: Path) -> int:
    """Start a command of ours in a fork of this process; returns its process id."""
    child = os.fork()
    if child:
        return child
    status = 70
    try:
        os.chdir(place)
        os.environ |= {"TMPDIR": str(place / "tmp"), "TRIALBED_LEASES": str(place / "leases")}
        tempfile.tempdir = None
        said = os.open(place / "said.txt", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        os.dup2(said, 1)
        os.dup2(said, 2)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - ends with the process
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        status = invoke(list(arguments))
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(status)


def ended_within(child: int, seconds: float) -> int | None:
    """The exit status of a command that ends in time; ``None`` where it goes on."""
    until = time.monotonic() + seconds
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() >= until:
            return None
        time.sleep(0.002)


def left_over(place: Path) -> list[str]:
    """Processes that know the folder of the guests, zombies left out."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdecimal() or int(entry.name) == os.getpid():
            continue
        try:
            environment = (entry / "environ").read_bytes()
            state = (entry / "stat").read_text().rpartition(")")[2].split()[0]
            command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if os.fsencode(place / "tmp") in environment and state != "Z":
            found.append(f"{entry.name} {command}")
    return found


def soon(true: Callable[[], bool]) -> bool:
    """Whether something about other processes becomes true; nothing announces it to us."""
    until = time.monotonic() + WITHIN_S
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.01)
    return True


def finished(run: Path) -> dict[str, bytes]:
    """Trials that are stored: name to the bytes of their records."""
    trials = run / "trials"
    if not trials.is_dir():
        return {}
    return {path.name: (path / "trial.json").read_bytes() for path in trials.iterdir() if not path.name.startswith(".")}


def run_of(place: Path) -> Path | None:
    """The run in the store."""
    store = place / "results"
    there = [path for path in store.iterdir() if not path.name.startswith(".")] if store.is_dir() else []
    return there[0] if there else None


def lines(run: Path | None) -> int:
    """Events in the journal of a run so far."""
    journal = None if run is None else run / "journal.jsonl"
    return journal.read_bytes().count(b"\n") if journal is not None and journal.is_file() else 0


class Victim:
    """One run from its beginning to its end, with kills in between."""

    def __init__(self, place: Path, tally: Tally, chance: random.Random) -> None:
        self._place, self._tally, self._chance = place, tally, chance
        (place / "tmp").mkdir(parents=True)
        (place / "plan.yaml").write_text(PLAN)
        (place / "lab.yaml").write_text(LAB)
        (place / "fares.sh").write_text(LOAD)

    def see_through(self, most_kills: int) -> None:
        """Begin it, and go on after each kill; after ``most_kills`` it is left in peace."""
        kills, kept = 0, dict[str, bytes]()
        while True:
            run = run_of(self._place)
            words = ["run", "plan.yaml"] if run is None else ["resume", run.name]
            events = lines(run)
            child = begin(words, self._place)
            status = self._spared(child, events) if kills < most_kills else ended_within(child, 60)
            if status is not None:
                break
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            kills += 1
            self._tally.kills += 1
            kept = self._after_a_kill(kept)
        self._tally.runs += 1
        self._at_the_end(status, kept)

    def _spared(self, child: int, events: int) -> int | None:
        """Wait for some instant: a number of events of the journal and a little, however busy the machine is.

        Returns:
            The command's exit status where it ended before; ``None`` where it is to be killed now.
        """
        events += self._chance.randrange(40)
        until = time.monotonic() + WITHIN_S
        while lines(run_of(self._place)) < events and time.monotonic() < until:
            if (status := ended_within(child, 0.005)) is not None:
                return status
        return ended_within(child, self._chance.uniform(0, 0.3))

    def _after_a_kill(self, kept: dict[str, bytes]) -> dict[str, bytes]:
        if not soon(lambda: not left_over(self._place)):
            self._wrong(f"processes are left: {left_over(self._place)}")
        run = run_of(self._place)
        now = finished(run) if run is not None else {}
        if {name: now.get(name) for name in kept} != kept:
            self._wrong(f"finished trials were lost or changed: {sorted(kept)} became {sorted(now)}")
        return now

    def _at_the_end(self, status: int, kept: dict[str, bytes]) -> None:
        run = run_of(self._place)
        said = (self._place / "said.txt").read_text(errors="replace")[-1500:]
        over = status == 2 and said.endswith("there is nothing left to resume\n")  # killed as it told the verdict
        if run is None or not (over or status in {0, 1}):  # 1: so few and short trials need not decide anything
            self._wrong(f"ended with exit status {status}: {said}")
            return
        now = finished(run)
        events = [json.loads(line) for line in (run / "journal.jsonl").read_text().splitlines()]
        ended = [event["trial"] for event in events if event["event"] == "trial-ended"]
        self._tally.discarded += sum(event["event"] == "trial-discarded" for event in events)
        if {name: now.get(name) for name in kept} != kept or len(now) != TRIALS:
            self._wrong(f"trials are missing or were made again: {sorted(now)}")
        if len(ended) != len(set(ended)):
            self._wrong(f"a trial was counted twice: {ended}")
        if any(json.loads(record)["outcome"] == "failed" for record in now.values()):
            self._wrong(f"a trial failed: {said}")
        if not soon(lambda: not left_over(self._place)):
            self._wrong(f"processes are left: {left_over(self._place)}")
        left = [path for folder in ("tmp", "leases") for path in (self._place / folder).rglob("*") if path.is_file()]
        if left:
            self._wrong(f"files are left: {left}")
        if (status := ended_within(begin(["verify", run.name], self._place), 60)) != 0:
            self._wrong(f"verify says {status}: {(self._place / 'said.txt').read_text(errors='replace')[-800:]}")

    def _wrong(self, what: str) -> None:
        self._tally.wrong.append(f"{self._place}: {what}")


def many(kills: int, seed: int, base: Path, told: Callable[[Tally], None] = lambda _tally: None) -> Tally:
    """So many kills at least, over as many runs as that takes; folders of runs with nothing wrong are removed."""
    tally, chance = Tally(), random.Random(seed)  # noqa: S311 - instants of kills
    while tally.kills < kills and len(tally.wrong) < 10:
        place = base / f"run-{tally.runs}"
        before = len(tally.wrong)
        Victim(place, tally, chance).see_through(min(12, kills - tally.kills))
        if len(tally.wrong) == before:
            shutil.rmtree(place)
        told(tally)
    return tally


def main() -> None:
    """Kill as often as asked, and print what was seen."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="kills-"))
    began = time.monotonic()
    tally = many(asked.kills, asked.seed, base, lambda so_far: print(f"{so_far.kills} kills", end="\r", flush=True))
    print(
        f"{tally.kills} kills, {tally.runs} runs seen through, {tally.discarded} trials cut off and made again, "
        f"{len(tally.wrong)} things wrong, {time.monotonic() - began:.0f} s"
    )
    if tally.wrong:
        raise SystemExit("\n".join(tally.wrong))


if __name__ == "__main__":
    main()
