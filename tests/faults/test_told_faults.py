"""Of what befalls a night's logins a person is told at once, and once: nothing cures it by itself."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from nights import Night
from ssh_machines import Machine

from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.messages import Message, Messages
from orchestrator.hypervisors.here.keys import new_key, public_line

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machine]:
    """A real SSH server, which is another machine than the guest."""
    made = Machine(tmp_path_factory.mktemp("machine"))
    yield made
    made.close()


def told(access: SshAccess) -> list[Message]:
    """The messages about a night whose last two trials log in elsewhere."""
    night = Night()
    night.in_place_of_the_guest(access, {2, 3})
    night.go()
    messages = Messages(
        run="run-1", title="How many?", guest="bookings-1", look="look", resume="go on", answer=lambda: ""
    )
    return [message for news in night.experiment.heard.news if (message := messages.of(news)) is not None]


def test_a_host_key_that_changed_is_told_once(machine: Machine) -> None:
    trouble, end = told(machine.access(**{"host-key": public_line(new_key()[0])}))
    assert (trouble.title, trouble.occasions) == ("trialbed: a login is refused: How many?", {"needs-you"})
    assert "HOST KEY CHANGED" in trouble.body
    assert end.occasions == {"finished", "failed"}
    assert "3 of 3 trials have ended; 2 failed now." in end.body


def test_authentication_that_is_lost_is_told_once(machine: Machine, tmp_path: Path) -> None:
    (tmp_path / "identity").write_text(new_key()[1])
    trouble, end = told(machine.access(identity=str(tmp_path / "identity")))
    assert (trouble.title, trouble.occasions) == ("trialbed: a login is refused: How many?", {"needs-you"})
    assert "login refused for user" in trouble.body
    assert "failed" in end.occasions
