"""What a workload can do to a run on this machine: exit, hang, flood, report nothing; each costs its own trial only."""

from __future__ import annotations

import os
import resource
import signal
from pathlib import Path

import pytest
from here_runs import HereRun, load

from orchestrator.adapters.ssh.keepalive import Rhythm
from orchestrator.core.record.trial import TrialRecord
from orchestrator.engine.news import News, StageBegan
from orchestrator.hypervisors.here.tasks import Proc

pytestmark = pytest.mark.real

TICK = "n=$((n + 1)); echo $n searches; sleep 0.1"
A_FEW = f"n=0; while [ $n -lt 8 ]; do {TICK}; done"
FLOOD = f"yes {'waves ' * 60} | head -2000"


def sh(name: str, script: str) -> dict[str, object]:
    return load(name, ["sh", "-c", script])


WORKLOADS = (
    sh("sound", f"n=0; while :; do {TICK}; done"),
    sh("exits-at-once", "echo no timetable for Saltmarsh >&2; exit 3"),
    sh("exits-later", f"{A_FEW}; echo the pier is closed >&2; exit 4"),
    sh("says-nothing", "exec sleep 60"),
    sh("hangs", f"{A_FEW}; sleep 60"),
    sh("chats", "while :; do echo tide tables are up to date; sleep 0.1; done"),
    sh("floods", f"n=0; while :; do {FLOOD}; {TICK}; done"),
    sh("floods-one-line", "exec cat /dev/zero"),
)


@pytest.fixture(scope="module")
def records() -> dict[str, TrialRecord]:
    """One run of them all, which must not grow this process much: of a flood 8 MiB are held (see adapters/ssh)."""
    before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found = HereRun(*WORKLOADS).go()
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib < 256 * 1024
    assert len(found) == len(WORKLOADS)
    return found


def insist_on(record: TrialRecord, stages: set[str], *says: str) -> None:
    assert (record.outcome, record.fault) == ("failed", "workload"), record.reason
    assert record.failed_stage in stages
    for words in says:
        assert words in record.reason
    assert record.reason.isprintable()
    assert record.stages[-1].stage == "stop"


def test_a_sound_workload_beside_them_is_measured(records: dict[str, TrialRecord]) -> None:
    assert records["sound"].outcome in {"measured", "unsteady"}
    assert records["sound"].summary is not None


def test_a_workload_that_exits_at_once_says_what_it_said(records: dict[str, TrialRecord]) -> None:
    insist_on(records["exits-at-once"], {"launch"}, "exit status 3", "no timetable for Saltmarsh")


def test_a_workload_that_exits_later_says_what_it_said(records: dict[str, TrialRecord]) -> None:
    insist_on(records["exits-later"], {"warm up", "measure"}, "exit status 4", "the pier is closed")


def test_a_workload_that_reports_nothing_is_given_up(records: dict[str, TrialRecord]) -> None:
    insist_on(records["says-nothing"], {"launch"}, "printed no whole line within 1 s")


def test_a_workload_that_hangs_in_the_middle_is_given_up(records: dict[str, TrialRecord]) -> None:
    insist_on(records["hangs"], {"warm up", "measure"}, "has printed no figure for", "quiet-after")


def test_a_workload_that_reports_no_figure_is_given_up_with_what_it_said(records: dict[str, TrialRecord]) -> None:
    insist_on(records["chats"], {"launch"}, "no line that its reader can read", "tide tables are up to date")


def test_a_workload_that_floods_is_measured_all_the_same(records: dict[str, TrialRecord]) -> None:
    record = records["floods"]
    assert record.outcome in {"measured", "unsteady"}, record.reason
    assert record.summary is not None


def test_a_workload_that_prints_one_endless_line_is_given_up(records: dict[str, TrialRecord]) -> None:
    insist_on(records["floods-one-line"], {"launch"}, "printed no whole line within 1 s")


def test_a_guest_whose_ssh_server_freezes_while_a_workload_is_prepared_is_found_out() -> None:
    """A whole run: the server of the process guest is stopped, and the kernel goes on acknowledging for it."""
    prepared = load("fares", ["sleep", "60"], prepare=["sleep", "60"])
    run = HereRun(prepared, rhythm=Rhythm(every_s=0.1, within_s=0.4))
    frozen: list[int] = []

    def act(news: News) -> bool:
        if isinstance(news, StageBegan) and news.stage == "deploy":
            frozen.extend(_servers())
            for pid in frozen:
                os.kill(pid, signal.SIGSTOP)
        if isinstance(news, StageBegan) and news.stage == "stop":
            for pid in frozen:
                os.kill(pid, signal.SIGCONT)
        return False

    run.heard.stop_on = act
    record = run.go()["fares"]
    assert len(frozen) == 1
    assert (record.outcome, record.failed_stage, record.fault) == ("failed", "deploy", "guest")
    assert "no answer for 0." in record.reason
    assert "the hypervisor says that it runs; its vCPUs ran" in record.reason
    assert next(each for each in record.stages if each.stage == "deploy").seconds < 3


def _servers() -> list[int]:
    """The login processes of this test's own process guests."""
    return [
        pid
        for pid in Proc().descendants([os.getpid()])
        if b"orchestrator.hypervisors.here.login" in Path(f"/proc/{pid}/cmdline").read_bytes()
    ]
