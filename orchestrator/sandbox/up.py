"""Making a sandbox, or mending one: what is there and works is kept."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.engine.ports import Clock
from orchestrator.sandbox import commands, requirements
from orchestrator.sandbox.accounts import guest_account, tool_account
from orchestrator.sandbox.cache import explained
from orchestrator.sandbox.daemon import uri_of
from orchestrator.sandbox.domains import GUESTS, OFF, RUNNING
from orchestrator.sandbox.folders import prepare, strangers
from orchestrator.sandbox.guests import built_image, have_guests
from orchestrator.sandbox.keys import make_key
from orchestrator.sandbox.lab_file import Login, SandboxLab, check_place, default_lab, remove_lab, write_lab
from orchestrator.sandbox.layout import Layout, layout_of, refuse
from orchestrator.sandbox.login import HOST
from orchestrator.sandbox.making import Making
from orchestrator.sandbox.proof import log_in, prove
from orchestrator.sandbox.services import have_daemon, have_login
from orchestrator.sandbox.settings import Say, Settings
from orchestrator.sandbox.state import State, alone, load, save
from orchestrator.sandbox.status import Status, status

if TYPE_CHECKING:
    from orchestrator.sandbox.machines import Machines


def up(
    settings: Settings,
    clock: Clock,
    say: Say,
    broken_off: Callable[[], None] = lambda: None,
    run: commands.Runner = commands.run,
) -> Status:
    """Have a sandbox that works: the one that is there, mended where needed, or a new one.

    Args:
        settings: where it is and what it is made of.
        clock: for waiting.
        say: is told what is done.
        broken_off: is called before an error or an interrupt leaves something half made; not where nothing was begun.
        run: runs this machine's programs.

    Raises:
        SandboxError: this machine lacks something (all of it is named), or a part cannot be started; ``down`` removes
            what was made until then.
        InputError: the folder or the lab's place cannot be used, or the state is damaged.
    """
    requirements.require(run)
    tool = tool_account()
    guests = guest_account(tool)
    layout = layout_of(settings.folder, tool)
    before = load(layout)
    if before is None and layout.root.exists() and (found := strangers(layout.root)):
        raise refuse(layout.root, f"no sandbox made this folder (it holds {found[0]}); name another with --folder")
    lab = _lab_of(settings, before, layout)
    if lab.parent != layout.root:
        check_place(lab, _digest_there(before, lab))
    made = prepare(layout, tool, guests)
    with alone(layout), explained(layout.root):
        before = load(layout)
        state = before.model_copy(deep=True) if before is not None else State(made=made, host_uuid=str(uuid.uuid4()))
        try:
            if before is None:
                save(layout, state)
            _make(Making(settings, layout, state, tool, guests, clock, say, run), lab)
        except BaseException:
            if state != before:
                broken_off()
            raise
    return status(settings)


def _lab_of(settings: Settings, before: State | None, layout: Layout) -> Path:
    """Where the lab is to be: as asked, where it is already, or the usual place."""
    kept = before.lab if before is not None else None
    chosen = (settings.lab or kept or default_lab(layout.lab)).expanduser()
    return chosen.parent.resolve() / chosen.name


def _digest_there(state: State | None, lab: Path) -> str:
    return state.lab_sha256 if state is not None and state.lab == lab else ""


def _make(making: Making, lab: Path) -> None:
    """The steps, in the order in which they need each other."""
    from orchestrator.sandbox.machines import machines  # noqa: PLC0415 - needs libvirt

    layout, state = making.layout, making.state
    keys = {name: _public(making, layout.host_key(name)) for name in (HOST, *GUESTS)}
    login_key = _public(making, layout.identity)
    image = built_image(making)  # first, since it takes the network; it is kept outside the sandbox
    have_daemon(making)
    have_login(making, login_key)
    with machines(uri_of(state.socket)) as known:
        have_guests(making, known, image, login_key)
        _have_lab(making, lab, keys)
        if state.proved:
            making.say("everything was there and is kept")
            return
        if making.tool.may_log_in:
            log_in(layout, HOST, making.clock, making.run)
        _prove(making, known, GUESTS[0])


def _prove(making: Making, machines: Machines, guest: str) -> None:
    """Boot a guest and log in to it; one that runs already, or is paused, is somebody's and not switched off."""
    power = machines.power(guest)
    if power == OFF:
        making.say(f"{guest}: boots once, to prove that it works")
        took_s = prove(making.layout, machines, guest, making.clock, making.run)
        making.say(f"{guest}: was logged in to {took_s:.1f} s after power-on, and is off again")
    elif power == RUNNING:
        log_in(making.layout, guest, making.clock, making.run)
        making.say(f"{guest}: runs, and was logged in to")
    else:
        making.say(f"{guest}: is {power}, and was not tried")
        return
    making.state.proved = True
    making.note()


def _public(making: Making, file: Path) -> str:
    """A key's public line without its comment; the key is made if it is not there."""
    return " ".join(make_key(file, "trialbed-sandbox", making.run).split()[:2])


def _have_lab(making: Making, lab: Path, keys: dict[str, str]) -> None:
    """Write the lab, and the same for OpenSSH's client; a lab that this sandbox wrote elsewhere is removed."""
    layout, state = making.layout, making.state
    host = None if state.login_port is None else Login(state.login_port, making.tool.name, keys[HOST])
    logins = {name: Login(state.guests[name].port, "root", keys[name]) for name in GUESTS}
    content = SandboxLab(uri_of(state.socket), layout.identity, host, logins)
    for file, text in ((layout.ssh_config, content.ssh_config(HOST)), (layout.known_hosts, content.known_hosts(HOST))):
        try:
            file.write_text(text)
            file.chmod(0o600)
        except OSError as error:
            raise refuse(file, f"cannot be written: {error.strerror}") from error
    if state.lab is not None and state.lab != lab and (why := remove_lab(state.lab, state.lab_sha256)):
        making.say(why)
    written = write_lab(lab, content.text(), _digest_there(state, lab))
    if (state.lab, state.lab_sha256) != (lab, written):
        state.lab, state.lab_sha256 = lab, written
        making.note()
        making.say(f"lab: {os.path.relpath(lab) if lab.is_relative_to(Path.cwd()) else lab}")
