"""What concerns the whole suite: a run in which nothing may be skipped, and interrupts that arrive."""

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


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--no-skips", action="store_true", help="a skipped test fails the run: here everything can be run")


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
    if _skipped and session.config.getoption("--no-skips"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if _skipped and config.getoption("--no-skips"):
        terminalreporter.section("skipped, and nothing may be", red=True)
        for node in _skipped:
            terminalreporter.write_line(node, red=True)
