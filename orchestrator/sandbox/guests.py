"""The sandbox's guests: their image with their own keys in it, and their definitions."""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path
from typing import TYPE_CHECKING

from orchestrator.errors import SandboxError
from orchestrator.sandbox import acceleration, images
from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.domains import GUESTS, OFF, UNDEFINED, DomainPlan, domain_xml
from orchestrator.sandbox.layout import refuse
from orchestrator.sandbox.making import Making
from orchestrator.sandbox.ports import free_port, is_free
from orchestrator.sandbox.recipes import PYTHON, recipe
from orchestrator.sandbox.requirements import need
from orchestrator.sandbox.state import GuestState

if TYPE_CHECKING:
    from orchestrator.sandbox.machines import Machines

_EMULATOR = "qemu-system-x86_64"


def built_image(making: Making) -> images.Image | None:
    """The image that the guests have to be given; ``None`` where they have the one that is asked for."""
    wanted = making.settings.image or making.state.image or PYTHON.name
    files = [making.layout.kernel, *map(making.layout.initrd, GUESTS)]
    if wanted == making.state.image and all(file.exists() for file in files):
        return None
    return images.build(wanted, making.settings.cache, making.say, making.run)


def have_guests(making: Making, machines: Machines, image: images.Image | None, login_key: str) -> None:
    """Have both guests defined, of the image and with the acceleration that were asked for.

    A definition is left as it is (reshaped, perhaps) as long as what it rests on has not changed.

    Args:
        making: the sandbox, its libvirt running.
        machines: its guests.
        image: what they are to be made of; ``None`` for what they are made of already.
        login_key: the public key that may log in.

    Raises:
        SandboxError: a guest that has to be defined anew is running, or the acceleration cannot be had.
    """
    state, settings = making.state, making.settings
    power = {name: machines.power(name) for name in GUESTS}
    new_acceleration = settings.acceleration not in {"auto", state.acceleration} or not state.acceleration
    stale = {name for name in GUESTS if image is not None or new_acceleration or _is_stale(making, name, power[name])}
    if busy := sorted(name for name in stale if power[name] not in {OFF, UNDEFINED}):
        raise SandboxError(
            f"{busy[0]} is {power[busy[0]]}, and would have to be defined anew: let it end what it does and shut it"
            " down, or remove the sandbox with: trialbed sandbox down"
        )
    if not stale:
        return
    state.proved = False
    if image is not None:
        _make_images(making, image, login_key)
    if new_acceleration:
        state.acceleration = _decide(making)
        making.note()
    for name in sorted(stale):
        _define(making, machines, name)


def _is_stale(making: Making, name: str, power: str) -> bool:
    """Whether a guest is not defined, or could not be started since another program has taken its port."""
    known = making.state.guests.get(name)
    return known is None or power == UNDEFINED or (power == OFF and not is_free(known.port))


def _make_images(making: Making, image: images.Image, login_key: str) -> None:
    """Put kernel and root file systems into the folder, where the user that guests run as can read them."""
    layout, state = making.layout, making.state
    state.image = ""  # neither the old one nor the new one, until all files are there
    making.note()
    try:
        shutil.copyfile(image.kernel, layout.kernel)
        _open_to(layout.kernel, making.guests)
        for name in GUESTS:
            images.personal(image, name, layout.host_key(name), login_key, layout.initrd(name))
            _open_to(layout.initrd(name), making.guests)
    except OSError as error:
        raise refuse(layout.images, f"the guests' image cannot be written: {error.strerror}") from error
    state.image, state.digest = image.recipe, image.digest
    making.note()
    making.say(f"image: {image.recipe} ({recipe(image.recipe).offers})")


def _open_to(file: Path, reader: Account) -> None:
    """Let the user that guests run as read a file, and nobody else; it stays ours, so that no guest can exchange it."""
    other = reader.uid != os.geteuid()
    if other:
        os.chown(file, -1, reader.gid)
    file.chmod(0o640 if other else 0o600)


def _decide(making: Making) -> str:
    """``kvm`` only once a guest has booted with it."""
    layout, asked = making.layout, making.settings.acceleration
    if asked == "tcg":
        making.say("acceleration: tcg, software emulation, as asked for")
        return asked
    name = making.state.image
    probe = images.Image(layout.kernel, layout.initrd(GUESTS[0]), making.state.digest, name, recipe(name).memory)
    other = making.guests.uid != making.tool.uid
    usable, reason = acceleration.usable_kvm(
        probe, making.clock, user=(making.guests.uid, making.guests.gid) if other else None
    )
    if usable:
        making.say(f"acceleration: kvm; {reason}")
        return "kvm"
    if asked == "kvm":
        raise SandboxError(
            f"KVM cannot be used: {reason}; without --acceleration kvm, guests run in software emulation"
        )
    making.say(f"acceleration: tcg, software emulation; kvm is not used: {reason}")
    return "tcg"


def _define(making: Making, machines: Machines, name: str) -> None:
    layout, state = making.layout, making.state
    known = state.guests.get(name)
    promised = {guest.port for guest in state.guests.values()} | {state.login_port or 0}
    port = known.port if known is not None and is_free(known.port) else free_port(promised)
    state.guests[name] = GuestState(uuid=known.uuid if known is not None else str(uuid.uuid4()), port=port)
    making.note()
    plan = DomainPlan(
        name=name,
        uuid=state.guests[name].uuid,
        memory=recipe(state.image).memory,
        kernel=layout.kernel,
        initrd=layout.initrd(name),
        console=layout.console_of(name),
        port=port,
        acceleration=state.acceleration,
        emulator=need(_EMULATOR),
    )
    xml = domain_xml(plan)
    (layout.xml / f"{name}.xml").write_text(xml)
    machines.define(xml)
