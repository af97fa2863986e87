"""Removing a sandbox: everything that it made, and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.engine.ports import Clock
from orchestrator.errors import InputError, SandboxError
from orchestrator.sandbox.accounts import Account, guest_account, tool_account
from orchestrator.sandbox.cache import clear, explained
from orchestrator.sandbox.daemon import lost_daemons, lost_guests, uri_of
from orchestrator.sandbox.domains import GUESTS
from orchestrator.sandbox.folders import remove, strangers
from orchestrator.sandbox.lab_file import default_lab, remove_lab, remove_lost_lab
from orchestrator.sandbox.layout import Layout, layout_of, refuse
from orchestrator.sandbox.login import remove_privsep, stop_login
from orchestrator.sandbox.ports import accepts
from orchestrator.sandbox.processes import alive, stop
from orchestrator.sandbox.proof import SHUTDOWN_WITHIN_S
from orchestrator.sandbox.requirements import module_trouble
from orchestrator.sandbox.settings import Say, Settings
from orchestrator.sandbox.state import State, alone, load
from orchestrator.units import format_size


def down(settings: Settings, clock: Clock, say: Say, *, images: bool = False) -> None:
    """Stop and remove a sandbox; harmless when there is none, or only part of one.

    Args:
        settings: where it is.
        clock: for waiting.
        say: is told what is done, and what is left and why.
        images: also remove the images that are kept for the next sandbox.

    Raises:
        InputError: the folder is another user's, or not one that a sandbox made.
        SandboxError: another command is at work on it, or something of it cannot be stopped.
    """
    tool = tool_account()
    layout = layout_of(settings.folder, tool)
    if not layout.root.exists():
        say(f"There is no sandbox in {layout.root}.")
    else:
        _refuse_others(layout)
        with alone(layout), explained(layout.root):
            found = _state(layout, say)
            removal = _Removal(layout, found or State(), tool, guest_account(tool), clock, say)
            removal.go(lab_known=found is not None)
        say(f"Removed the sandbox in {layout.root}.")
    if images:
        _remove_images(settings, say)


def _refuse_others(layout: Layout) -> None:
    """Insist on a folder that a sandbox made, before as much as a lock is put into it."""
    if not layout.state.exists() and (left := strangers(layout.root)):
        raise refuse(layout.root, f"no sandbox made this folder (it holds {left[0]}); nothing was removed")


def _state(layout: Layout, say: Say) -> State | None:
    """The state; ``None`` where it is damaged or was never written."""
    try:
        return load(layout)
    except InputError as error:
        say(f"{error.problems[0]}; its processes are looked for by name")
        return None


@dataclass(frozen=True)
class _Removal:
    layout: Layout
    state: State
    tool: Account
    guests: Account
    clock: Clock
    say: Say

    def go(self, *, lab_known: bool) -> None:
        """In the order in which the parts need each other.

        Args:
            lab_known: whether the state tells where the lab is.
        """
        self._stop_guests()
        daemons = [self.state.daemon, *lost_daemons(self.layout, self.guests)]
        gone = [stop(process, self.clock) for process in (*lost_guests(self.layout, self.guests), *daemons)]
        gone.append(stop_login(self.state.login, self.layout, self.tool, self.clock))
        if not all(gone):
            raise SandboxError(
                f"not every process of the sandbox in {self.layout.root} could be stopped; its folder was left"
            )
        if self.state.privsep_made:
            remove_privsep()
        if not lab_known:
            self.say(remove_lost_lab(default_lab(self.layout.lab), self.layout.root))
        elif self.state.lab is not None and (why := remove_lab(self.state.lab, self.state.lab_sha256)):
            self.say(why)
        if left := remove(self.layout, self.state.made):
            self.say(f"{self.layout.root} was left: it holds {', '.join(left)}, which no sandbox made")

    def _stop_guests(self) -> None:
        """In order, as long as there is a daemon to ask; what then still runs is ended as a process."""
        if not (alive(self.state.daemon) and accepts(self.state.socket)):
            return
        if (trouble := module_trouble()) is not None:
            self.say(f"{trouble.what}; guests that run are ended as processes")
            return
        from orchestrator.sandbox.machines import machines  # noqa: PLC0415 - needs libvirt

        try:
            with machines(uri_of(self.state.socket)) as known:
                for name in GUESTS:
                    if how := known.stop(name, self.clock, SHUTDOWN_WITHIN_S):
                        self.say(f"{name}: {how}")
                    known.undefine(name)
        except SandboxError as error:
            self.say(f"{error}; what runs is ended as a process")


def _remove_images(settings: Settings, say: Say) -> None:
    if freed := clear(settings.cache):
        say(f"Removed the images in {settings.cache}: {format_size(freed)}.")
