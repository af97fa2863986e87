"""One sandbox for the whole suite: real guests under QEMU, behind a libvirt daemon of its own."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import pytest
from vm_sandbox import GUESTS, Sandbox, a_sandbox


@contextmanager
def _ended_in_order() -> Iterator[None]:
    """Whoever ends the suite (a CI job that is cancelled) ends it like Ctrl-C, so that the sandbox is removed."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@pytest.fixture(scope="session")
def sandbox() -> Iterator[Sandbox]:
    """Two small guests, both off; removed at the end whatever happened."""
    with _ended_in_order(), a_sandbox("small") as made:
        yield made


@pytest.fixture(autouse=True)
def _as_it_was(request: pytest.FixtureRequest) -> Iterator[None]:
    """Every test leaves the guests off, and defined as they were, byte for byte."""
    if "sandbox" not in request.fixturenames:
        yield
        return
    made: Sandbox = request.getfixturevalue("sandbox")
    with made.kept():
        before = {guest: made.definition(guest) for guest in GUESTS}
        yield
        assert not [guest for guest in GUESTS if made.is_on(guest)]
        assert {guest: made.definition(guest) for guest in GUESTS} == before
        _nobody_is_logged_in(made)


def _nobody_is_logged_in(made: Sandbox) -> None:
    """Nothing that was started on the host goes on; what has lost its connection may take a moment to end."""
    until_s = time.monotonic() + 5
    while left := made.logins():
        assert time.monotonic() < until_s, f"still run on the host: {left}"
        time.sleep(0.05)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A folder for runs."""
    return tmp_path / "results"
