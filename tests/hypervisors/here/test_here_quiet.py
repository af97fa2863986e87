"""Waiting for a quiet host on this machine: its own counters over a real login, beside real busy loops."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from here_guest import GuestUnderTest

from orchestrator.adapters.samplers.sampler import Samplers
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.quiet import QuietHost
from orchestrator.engine import quiet
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import News, WaitingForQuiet


@dataclass
class Listener:
    """Hears that the host is waited for, and does something about it at the second time."""

    help: Callable[[], None]
    told: list[str] = field(default_factory=list)
    requested: bool = False

    def hold_off(self) -> None:
        """Nobody interrupts."""

    def tell(self, news: News) -> None:
        if isinstance(news, WaitingForQuiet):
            self.told.append(news.why)
            if len(self.told) == 2:
                self.help()


@pytest.fixture
def loops() -> Iterator[Callable[[], None]]:
    """A busy loop for each CPU that gives way to everything else, until they are ended by the function given."""
    program = "import os; os.nice(19)\nwhile True: pass"
    running = [subprocess.Popen([sys.executable, "-c", program]) for _ in range(os.cpu_count() or 1)]

    def end() -> None:
        for loop in running:
            loop.kill()
            loop.wait()

    yield end
    end()


@pytest.mark.real
def test_busy_loops_are_seen_while_the_guest_is_off_and_their_end_is_waited_for(
    guest: GuestUnderTest, loops: Callable[[], None], mocker: Any
) -> None:
    mocker.patch.object(quiet, "_BETWEEN_READINGS_S", 0.1)
    mocker.patch.object(quiet, "_PAUSE_S", 0.1)
    heard, noted, clock = Listener(loops), [], guest.clock
    bench = Bench(
        clock=clock,
        hypervisor=guest.hypervisor,
        connector=SshConnector(clock),
        samplers=Samplers(clock),
        parser=mocker.Mock(),
        fingerprint=mocker.Mock(),
        loads={},
        switch=mocker.Mock(),
        reporter=heard,
        stop=heard,
    )
    host = HostWatch(bench)
    # Whatever else runs here: with a loop on each CPU none of them rests, and without them one does now and then.
    rule = QuietHost.model_validate({"busy-below": "97 %", "wait": "5 s"})
    try:
        check = quiet.Quiet(rule, bench, host, lambda *event: noted.append(event)).wait("0001-one-bookings-t1-b1")
    finally:
        host.close()
    assert len(heard.told) >= 2
    assert all("of its CPU time is used (to be below 97 %)" in why for why in heard.told)
    ((event, trial, detail),) = noted
    assert (event, trial) == ("waited-for-quiet", "0001-one-bookings-t1-b1")
    assert not guest.hypervisor.describe().running
    if detail["busy"] >= 0.97:
        assert check.detail.startswith("not quiet after 5")
        pytest.skip("this machine is busy without the loops as well")
    assert (check.state, detail["quiet"]) == ("ok", True)
    assert check.detail.startswith("quiet after ")
