"""What is told of whole runs in virtual time, and of what ends them."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from simulated_run import Experiment, Heard, lab, plan

from orchestrator.core.design.time_limit import TimeLimit
from orchestrator.engine.messages import Message, Messages
from orchestrator.engine.news import TrialEnded
from orchestrator.errors import (
    GuestFault,
    HostFault,
    InputError,
    Problem,
    RestoreError,
    StageError,
    StoreError,
    UnreachableError,
)


def messages(title: str = "How many?") -> Messages:
    return Messages(
        run="run-1",
        title=title,
        guest="bookings-1",
        look="trialbed show run-1",
        resume="trialbed resume run-1",
        answer=lambda: "Take shape two.",
    )


def told(experiment: Experiment) -> list[Message]:
    """The messages about a run."""
    experiment.go()
    made = messages()
    return [message for news in experiment.heard.news if (message := made.of(news)) is not None]


def quiet_plan(**asked: Any) -> Experiment:
    busy = {"cpus": 4, "neighbours": 0, "gang": False, "other-load": [{"until": "1 d", "loops": 4}]}
    return Experiment(plan(design={"blocks": 1}, quiet=asked), lab(**busy))


def test_a_run_that_is_done_is_one_message_with_the_answer() -> None:
    (message,) = told(Experiment(plan(design={"blocks": 1}), lab()))
    assert (message.occasions, message.title) == ({"finished"}, "trialbed: finished: How many?")
    answered = messages().answered(message)
    assert answered.body.splitlines() == [
        "Take shape two.",
        "4 of 4 trials have ended.",
        "Run run-1, guest bookings-1. Look: trialbed show run-1",
    ]


def test_failed_trials_are_told_with_the_end() -> None:
    (message,) = told(Experiment(plan(design={"blocks": 1}), lab(faults=[{"kind": "does-not-boot", "trial": 2}])))
    assert message.occasions == {"finished", "failed"}
    assert "4 of 4 trials have ended; 1 failed now." in message.body


def test_a_run_that_gives_up_says_why_and_how_to_go_on() -> None:
    faults = [{"kind": "does-not-boot", "every": 1}]
    (message,) = told(Experiment(plan(**{"give-up-after": 2}), lab(faults=faults)))
    assert (message.occasions, message.title) == ({"failed"}, "trialbed: given up: How many?")
    assert "2 trials in a row failed" in message.body.lower()
    assert "Go on with: trialbed resume run-1" in message.body


def test_a_time_limit_is_a_finish_with_the_reason() -> None:
    short = {"warm-up": {"at-least": "5 s", "at-most": "10 s"}, "steady": {"at-least": "10 s", "at-most": "10 s"}}
    experiment = Experiment(plan(measure=short), lab())
    experiment.bench = dataclasses.replace(experiment.bench, limit=TimeLimit(for_s=500.0))
    (message,) = told(experiment)
    assert (message.occasions, message.title) == ({"finished"}, "trialbed: out of time: How many?")
    assert "trialbed resume run-1" in message.body
    assert messages().answered(message).body.startswith("Take shape two.")


def test_a_run_that_was_stopped_needs_somebody() -> None:
    heard = Heard(stop_on=lambda news: isinstance(news, TrialEnded))
    (message,) = told(Experiment(plan(design={"blocks": 1}), lab(), heard=heard))
    assert (message.occasions, message.title) == ({"needs-you"}, "trialbed: ended before its last trial: How many?")
    assert "1 of 4 trials have ended. Go on with: trialbed resume run-1" in message.body


@pytest.mark.parametrize(("then", "does"), [("skip", "was skipped"), ("go-on", "was measured all the same")])
def test_a_host_that_is_never_quiet_is_told_once(then: str, does: str) -> None:
    first, *rest = told(quiet_plan(wait="1 min", then=then))
    assert (first.occasions, first.title) == ({"needs-you"}, "trialbed: the host is not quiet: How many?")
    assert does in first.body
    assert "of its CPU time" in first.body
    assert len(rest) == 1, "the end"


def failing(mocker: Any, error: StageError) -> Experiment:
    """A run whose guest cannot be reshaped."""
    experiment = Experiment(plan(design={"blocks": 1}), lab())
    mocker.patch.object(experiment.hypervisor, "reshape", side_effect=error)
    return experiment


@pytest.mark.parametrize("kind", [GuestFault, HostFault])
def test_a_machine_that_does_not_let_the_run_in_is_told_once_whatever_the_words(
    mocker: Any, kind: type[StageError]
) -> None:
    trouble, *rest = told(failing(mocker, kind("Anmeldung abgelehnt", barred=True)))
    assert (trouble.occasions, trouble.title) == ({"needs-you"}, "trialbed: a login is refused: How many?")
    assert "and the next ones will: Anmeldung abgelehnt" in trouble.body
    assert len(rest) == 1, "the end"


def test_words_that_sound_like_a_refused_login_say_nothing(mocker: Any) -> None:
    (end,) = told(failing(mocker, HostFault("login refused; HOST KEY CHANGED; no 'identity' in the lab")))
    assert "needs-you" not in end.occasions


@pytest.mark.parametrize(
    ("error", "occasion", "title"),
    [
        (RestoreError("guest 'bookings-1' is not back"), "needs-you", "the guest is NOT as it was before"),
        (StoreError("cannot write /r: the disk is full"), "failed", "the run cannot be written"),
        (UnreachableError("no route to rack-a.example"), "failed", "the lab cannot be reached"),
        (InputError([Problem("lab", "guests", "is not marked")]), "failed", "refused"),
        (ZeroDivisionError("division by zero"), "failed", "a defect"),
    ],
)
def test_what_ends_a_run_is_told(error: Exception, occasion: str, title: str) -> None:
    message = messages().of_trouble(error)
    assert (message.occasions, message.title) == ({occasion}, f"trialbed: {title}: How many?")
    assert "trialbed show run-1" in message.body
    if not isinstance(error, ZeroDivisionError):
        assert str(error) in message.body


def test_text_from_elsewhere_steers_no_telephone_and_has_an_end() -> None:
    message = messages("How\x1b[31m many\u202e?").of_trouble(UnreachableError("no\x00 route " + "x" * 10_000))
    assert message.title.isprintable()
    assert all(line.isprintable() for line in message.body.splitlines())
    assert len(message.body) < 2000
