"""What there is of a sandbox, and whether it works."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import tool_account
from orchestrator.sandbox.daemon import uri_of
from orchestrator.sandbox.domains import GUESTS, UNDEFINED
from orchestrator.sandbox.folders import disk_used
from orchestrator.sandbox.lab_file import digest
from orchestrator.sandbox.layout import Layout, layout_of
from orchestrator.sandbox.ports import accepts, greeting
from orchestrator.sandbox.processes import alive
from orchestrator.sandbox.requirements import module_trouble
from orchestrator.sandbox.settings import Settings
from orchestrator.sandbox.state import State, held, load
from orchestrator.units import Bytes

#: What a guest does that cannot be asked for.
UNKNOWN = "unknown"


@dataclass(frozen=True)
class GuestStatus:
    """A guest: what it does, what it is defined as, and the port that leads to it."""

    name: str
    power: str
    vcpus: int | None
    memory: Bytes | None
    port: int | None


@dataclass(frozen=True)
class Status:
    """A sandbox.

    Attributes:
        state: ``up``, ``down`` (there is none), ``busy`` (another command is at work on it, and what is missing may be
            on its way) or ``incomplete`` (what is missing is in ``troubles``).
        host_login: port of the login on the host; ``None`` where there is none.
        lab_state: ``as written``, ``changed`` or ``missing``.
        troubles: why it is not up, one each.
        disk, cached: bytes on the disk of the sandbox, and of the images for every sandbox.
    """

    folder: Path
    state: str
    uri: str | None = None
    daemon: bool = False
    host_login: int | None = None
    image: str | None = None
    acceleration: str | None = None
    guests: tuple[GuestStatus, ...] = ()
    lab: Path | None = None
    lab_state: str | None = None
    troubles: tuple[str, ...] = ()
    disk: Bytes = 0
    cache: Path | None = None
    cached: Bytes = 0


def status(settings: Settings) -> Status:
    """Look at a sandbox; changes nothing. Raises InputError when its state cannot be read."""
    layout = layout_of(settings.folder, tool_account())
    busy = held(layout)
    state = load(layout)
    if state is None and not busy:
        return Status(layout.root, "down", cache=settings.cache, cached=disk_used(settings.cache))
    state = state or State()
    daemon = alive(state.daemon) and accepts(state.socket)
    login = state.login_port if alive(state.login) and greeting(state.login_port or 0) else None
    guests, guest_troubles = _guests(state, daemon=daemon)
    lab_state = _lab_state(state)
    troubles = [
        *guest_troubles,
        *(["the host's login does not answer"] if state.login_port is not None and login is None else []),
        *(f"{file} is missing" for file in _files(layout) if not file.exists()),
        *(["the lab file is missing"] if lab_state == "missing" else []),
    ]
    if not (troubles or state.proved):
        troubles.append("no guest has been booted yet")
    return Status(
        folder=layout.root,
        state="busy" if busy else "incomplete" if troubles else "up",
        uri=uri_of(state.socket) if state.socket else None,
        daemon=daemon,
        host_login=login,
        image=state.image or None,
        acceleration=state.acceleration or None,
        guests=guests,
        lab=state.lab,
        lab_state=lab_state,
        troubles=() if busy else tuple(troubles),
        disk=disk_used(layout.root),
        cache=settings.cache,
        cached=disk_used(settings.cache),
    )


def _guests(state: State, *, daemon: bool) -> tuple[tuple[GuestStatus, ...], list[str]]:
    """The guests as their libvirt tells, and what is wrong with them or with it."""
    ports = {name: guest.port for name, guest in state.guests.items()}
    unknown = tuple(GuestStatus(name, UNKNOWN, None, None, ports.get(name)) for name in GUESTS)
    if not daemon:
        return unknown, ["the libvirt daemon does not run"]
    if (trouble := module_trouble()) is not None:
        return unknown, [trouble.what]
    from orchestrator.sandbox.machines import SilentError, machines  # noqa: PLC0415 - needs libvirt

    try:
        with machines(uri_of(state.socket)) as known:
            found = []
            for name in GUESTS:
                vcpus, memory = known.shape(name) or (None, None)
                found.append(GuestStatus(name, known.power(name), vcpus, memory, ports.get(name)))
    except SilentError:
        return unknown, ["the libvirt daemon does not answer"]
    except SandboxError as error:
        return unknown, [str(error)]
    return tuple(found), [f"guest {guest.name} is {guest.power}" for guest in found if guest.power == UNDEFINED]


def _lab_state(state: State) -> str:
    found = digest(state.lab) if state.lab else None
    return "missing" if found is None else "as written" if found == state.lab_sha256 else "changed"


def _files(layout: Layout) -> list[Path]:
    return [layout.kernel, *(layout.initrd(name) for name in GUESTS)]
