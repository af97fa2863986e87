"""Signals, sent for real to this process."""

from __future__ import annotations

import os
import signal

import pytest

from orchestrator.adapters.interrupts import Interrupts


def send(number: int) -> None:
    """Deliver a signal to this process; the handler runs before this returns to its caller's next line."""
    os.kill(os.getpid(), number)


def test_the_first_interrupt_asks_the_second_insists_the_third_waits() -> None:
    told: list[str] = []
    with Interrupts(told.append) as stop:
        assert not stop.requested
        send(signal.SIGINT)
        assert stop.requested
        with pytest.raises(KeyboardInterrupt):
            send(signal.SIGINT)
        send(signal.SIGINT)
    assert len(told) == 3
    assert "Ctrl-C again" in told[0]
    assert "still putting the guest back" in told[2]


def test_what_whoever_started_it_has_ignored_stays_ignored() -> None:
    """nohup (POSIX.1-2017, nohup): "SIGHUP shall be set to be ignored"."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupts(lambda _text: None) as stop:
            send(signal.SIGHUP)
            assert not stop.requested
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_request_to_terminate_insists_at_once(number: int) -> None:
    with Interrupts(lambda _text: None) as stop:
        with pytest.raises(KeyboardInterrupt):
            send(number)
        assert stop.requested


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_once_the_guest_is_being_put_back_every_signal_is_answered_with_words_only(number: int) -> None:
    told: list[str] = []
    with Interrupts(told.append) as stop:
        send(signal.SIGINT)
        stop.hold_off()
        stop.hold_off()
        send(number)
        send(number)
    assert [text for text in told[1:] if "still putting the guest back" not in text] == []
    assert len(told) == 3


def test_handlers_are_given_back() -> None:
    before = signal.getsignal(signal.SIGINT)
    with Interrupts(lambda _text: None):
        assert signal.getsignal(signal.SIGINT) != before
    assert signal.getsignal(signal.SIGINT) == before
