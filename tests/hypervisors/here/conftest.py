"""Fixtures of the tests of the driver ``here``."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from here_guest import GuestUnderTest
from here_kernel import Bench, Demand, Kernel, busy


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """Builds a bench: physical CPUs, vCPUs, the guest's demands, and how many foreign busy threads there are."""

    def build(*, cpus: int, vcpus: int, demands: list[Demand], neighbours: int = 0) -> Bench:
        kernel = Kernel(cpus)
        for _ in range(neighbours):
            kernel.spawn(busy())
        made = Bench(kernel, vcpus)
        made.layer.track([kernel.spawn(demand).pid for demand in demands])
        made.run(0.2)
        return made

    return build


@pytest.fixture
def guest() -> Iterator[GuestUnderTest]:
    """A process guest of this machine, off at first, and gone after the test."""
    made = GuestUnderTest()
    yield made
    made.close()
