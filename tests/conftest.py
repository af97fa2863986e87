"""What concerns the whole suite: a run in which nothing may be skipped, and interrupts that arrive."""

from __future__ import annotations

import signal

import pytest

_skipped: list[str] = []


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--no-skips", action="store_true", help="a skipped test fails the run: here everything can be run")


def pytest_configure() -> None:
    # A shell without job control starts what it puts into the background deaf to interrupts, and everything below it.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


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
