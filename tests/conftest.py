"""What concerns the whole suite: a run in which nothing may be skipped, interrupts that arrive, and its last words."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import tempfile
from pathlib import Path

import pytest

_skipped: list[str] = []
_places: list[Path] = []
_numbers = itertools.count(1)
#: Where only the end of the output is kept, the causes of this many failures still have to be in it.
_TOLD, _LINES_EACH = 5, 8


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--no-skips", action="store_true", help="a skipped test fails the run: here everything can be run")
    parser.addoption("--note-skips", metavar="FILE", help="write what is skipped to FILE, for pytest @FILE elsewhere")


def pytest_configure() -> None:
    # Leases keep runs apart that share a machine, and tests share nothing: not with each other, nor with real runs.
    _places.append(Path(tempfile.mkdtemp(prefix="trialbed-leases-")))
    os.environ["TRIALBED_LEASES"] = str(_places[0] / "session")
    # A shell without job control starts what it puts into the background deaf to interrupts, and everything below it;
    # nohup does the same to the hang-up of a terminal.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)


def pytest_unconfigure() -> None:
    for place in _places:
        shutil.rmtree(place, ignore_errors=True)


@pytest.fixture(autouse=True)
def own_leases(monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which this test, and every process that it starts, keeps leases; made when one is."""
    folder = _places[0] / str(next(_numbers))
    monkeypatch.setenv("TRIALBED_LEASES", str(folder))
    return folder


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.skipped:
        _skipped.append(report.nodeid)


def pytest_collectreport(report: pytest.CollectReport) -> None:
    if report.skipped:
        _skipped.append(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    if note := session.config.getoption("--note-skips"):
        Path(note).write_text("".join(f"{node}\n" for node in dict.fromkeys(_skipped)), encoding="utf-8")
    if _skipped and session.config.getoption("--no-skips"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    failed = [*terminalreporter.stats.get("failed", []), *terminalreporter.stats.get("error", [])]
    if failed:
        terminalreporter.section("why, in short", red=True)
        for report in failed[:_TOLD]:
            terminalreporter.write_line(f"{report.nodeid} ({report.when})", red=True)
            for line in _why(report):
                terminalreporter.write_line(f"    {line}")
    if _skipped and config.getoption("--no-skips"):
        terminalreporter.section("skipped, and nothing may be", red=True)
        for node in _skipped:
            terminalreporter.write_line(node, red=True)


def _why(report: pytest.TestReport | pytest.CollectReport) -> list[str]:
    """What was raised, the first cause first: where, and the words."""
    chain = getattr(report.longrepr, "chain", None)
    if not chain:
        return report.longreprtext.splitlines()[-_LINES_EACH:]
    raised = [f"{crash.path}:{crash.lineno}: {crash.message}" for _, crash, _ in chain if crash is not None]
    return [line for words in raised for line in words.splitlines()[:_LINES_EACH]]
