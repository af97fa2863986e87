"""Shipped plans, shortened, run for real by the command itself on guests of the sandbox."""

from __future__ import annotations

import json
import signal
import statistics
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
import yaml
from vcpu_accounts import BUSY, Account, insist_both, other_load
from vm_runs import MEASURE, WORK
from vm_sandbox import BOOKINGS, ROOT, Sandbox, finish, read_until, shown, start

from orchestrator.core.measure.columns import to_samples
from orchestrator.core.measure.samples import Sample
from orchestrator.core.measure.shares import vcpu_shares

pytestmark = [pytest.mark.vm, pytest.mark.quiet]

WARM_UP_S = 2.0


def shortened(name: str, folder: Path, sandbox: Sandbox, **changed: Any) -> dict[str, Any]:
    """A shipped plan with fewer blocks and seconds and with the load that the smallest guest has; its cells stay."""
    declared: dict[str, Any] = yaml.safe_load((ROOT / "plans" / name).read_text())
    (shipped,) = declared["workloads"]
    declared |= {
        "lab": "lab.yaml",
        "workloads": [{"name": shipped["name"], "threads": shipped["threads"], **WORK}],
        "design": declared["design"] | {"blocks": 2},
        "measure": MEASURE,
    }
    declared |= changed
    (folder / "plan.yaml").write_text(json.dumps(declared))
    (folder / "lab.yaml").write_text(sandbox.lab_text)
    return declared


def trials_of(told: dict[str, Any], shape: str, threads: int) -> list[dict[str, Any]]:
    """The trials of a cell, with their series."""
    return [trial for trial in told["trials"] if (trial["shape"], trial["threads"]) == (shape, threads)]


class Series:
    """One trial's series after the warm-up, read back from the store."""

    def __init__(self, folder: Path, trial: dict[str, Any]) -> None:
        told = shown(folder, "last", str(trial["number"]))
        self.start_s = trial["launched_monotonic_s"] + WARM_UP_S
        self.vcpu = self._samples(told["series"]["vcpu"])
        self.host = self._samples(told["series"]["host"])
        counts = list(zip(told["series"]["throughput"]["time_s"], told["series"]["throughput"]["value"], strict=True))
        steady = [(time_s, count) for time_s, count in counts if time_s >= self.start_s]
        self.rate = (steady[-1][1] - steady[0][1]) / (steady[-1][0] - steady[0][0])

    def _samples(self, columns: dict[str, Any]) -> list[Sample]:
        return [sample for sample in to_samples(columns) if sample.time_s >= self.start_s]

    def shares(self) -> tuple[float, float]:
        """Run and wait, in CPUs."""
        shares = vcpu_shares(self.vcpu, self.vcpu[0].time_s, self.vcpu[-1].time_s)
        return sum(share.run for share in shares), sum(share.wait or 0.0 for share in shares)

    def other_load(self) -> float:
        """CPUs that the host used for anything else."""
        return other_load(self.host, self.host)

    def insist(self, *accounts: Account) -> None:
        other = self.other_load()
        insist_both(self.vcpu, self.host, {vcpu: account.beside(other) for vcpu, account in enumerate(accounts)})


def check_of(trial: dict[str, Any], name: str) -> str:
    """What a check of a stored trial says: its state, and why."""
    return next(f"{check['state']}: {check['detail']}" for check in trial["summary"]["checks"] if check["name"] == name)


def median(figures: Iterable[float]) -> float:
    return statistics.median(figures)


def test_two_sizes_is_run_interrupted_resumed_and_judged(sandbox: Sandbox, tmp_path: Path) -> None:
    declared = shortened("two-sizes.yaml", tmp_path, sandbox)
    assert [shape["vcpus"] for shape in declared["shapes"]] == [1, 2]
    assert declared["workloads"][0]["threads"] == [1, 2]
    before = sandbox.definition(BOOKINGS)

    process = start(tmp_path, "run", "plan.yaml")
    read_until(process, "trial 3/8")
    process.send_signal(signal.SIGINT)
    output, errors = finish(process)
    assert process.returncode == 130, errors
    assert "the guest is as it was before" in output
    assert sandbox.definition(BOOKINGS) == before
    assert not sandbox.is_on(BOOKINGS)

    process = start(tmp_path, "resume", "last")
    output, errors = finish(process)
    told = shown(tmp_path, "last")
    answered = {found["threads"] for found in told["verdict"]["recommendations"]}
    assert process.returncode == (0 if answered == {1, 2} else 1), errors
    assert "trial 3/8" not in output, "a finished trial is not run again"
    assert sandbox.definition(BOOKINGS) == before

    assert told["state"] == "done"
    assert [trial["number"] for trial in told["trials"]] == list(range(1, 9))
    assert {trial["outcome"] for trial in told["trials"]} <= {"measured", "unsteady"}, told["trials"]
    for trial in told["trials"]:
        online = {"one": "0", "two": "0-1"}[trial["shape"]]
        assert trial["seen_inside"]["online"] == online
        assert check_of(trial, "vcpu accounting").startswith("ok")
        assert check_of(trial, "vcpu threads").startswith("ok")

    cells = {
        (shape, threads): [Series(tmp_path, trial) for trial in trials_of(told, shape, threads)]
        for shape in ("one", "two")
        for threads in (1, 2)
    }
    for one in cells["one", 1] + cells["one", 2]:
        one.insist(BUSY)
    for one in cells["two", 2]:
        one.insist(BUSY, BUSY)
    for one in cells["two", 1]:
        run, wait = one.shares()
        assert run >= 0.85 - one.other_load()
        assert 0.97 <= run + wait <= 1.1, "one thread keeps one vCPU busy, whichever it is on"
    # Software emulation swings by a third within seconds; a second CPU for the second thread is worth a factor of two.
    rates = {shape: median(trial.rate for trial in cells[shape, 2]) for shape in ("one", "two")}
    runs = {shape: median(trial.shares()[0] for trial in cells[shape, 2]) for shape in ("one", "two")}
    assert runs["two"] / runs["one"] >= 1.8 - max(trial.other_load() for trial in cells["two", 2])
    assert rates["two"] / rates["one"] >= 0.75 * runs["two"] / runs["one"], rates


def test_a_busy_host_shows_as_wait_of_the_second_vcpu(sandbox: Sandbox, tmp_path: Path) -> None:
    declared = shortened("busy-host.yaml", tmp_path, sandbox, workloads=[{"name": "work", "threads": [2], **WORK}])
    assert declared["neighbours"] == [{"name": "loops", "loops": 2, "pin": [0, 1]}]
    process = start(tmp_path, "run", "plan.yaml")
    read_until(process, "beside declared neighbours: loops (2 busy loops on the host's CPUs 0, 1)")
    read_until(process, "measure")
    assert len(sandbox.logins()) >= 3, "two loops and what has started them"
    _, errors = finish(process)
    assert process.returncode in {0, 1}, errors

    told = shown(tmp_path, "last")
    assert {trial["outcome"] for trial in told["trials"]} <= {"measured", "unsteady"}, told["trials"]
    for trial in told["trials"]:
        assert check_of(trial, "other load").startswith("ok: with the declared neighbours")
    one, two = ([Series(tmp_path, trial) for trial in trials_of(told, shape, 2)] for shape in ("one", "two"))
    for series in one + two:
        run, wait = series.shares()
        vcpus = len(vcpu_shares(series.vcpu, series.vcpu[0].time_s, series.vcpu[-1].time_s))
        assert 0.95 * vcpus <= run + wait <= 1.02 * vcpus, "its vCPUs want the CPU all the time"
    assert median(series.shares()[1] for series in two) >= 0.4
    assert any("loops" in remark for remark in told["verdict"]["remarks"]), told["verdict"]["remarks"]
