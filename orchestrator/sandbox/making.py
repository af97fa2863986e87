"""What the steps of making a sandbox share."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.engine.ports import Clock
from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.commands import Runner
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.settings import Say, Settings
from orchestrator.sandbox.state import State, save


@dataclass(frozen=True)
class Making:
    """A sandbox being made or mended.

    Attributes:
        settings: what it is asked to be.
        layout: its folder, made and locked.
        state: what has been made so far; changed by the steps, each noting what it did before the next begins.
        tool, guests: whom this program and the guests run as.
        clock: for waiting.
        say: is told what is done.
        run: runs this machine's programs.
    """

    settings: Settings
    layout: Layout
    state: State
    tool: Account
    guests: Account
    clock: Clock
    say: Say
    run: Runner

    def note(self) -> None:
        """Write the state."""
        save(self.layout, self.state)
