"""What a sandbox has started and made, kept in its folder; one command at a time may change it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from orchestrator.errors import SandboxError
from orchestrator.sandbox.layout import Layout, refuse
from orchestrator.sandbox.processes import ProcessId


class GuestState(BaseModel):
    """A guest: its fixed identity and the port of this machine that leads to its SSH server."""

    model_config = ConfigDict(extra="forbid")

    uuid: str
    port: int


class State(BaseModel):
    """Everything that has to be found again; written before it is relied on."""

    model_config = ConfigDict(extra="forbid")

    format: Literal[1] = 1
    made: list[Path] = Field(default_factory=list)
    """Folders that were made, down to the sandbox's own, outermost first."""
    host_uuid: str = ""
    image: str = ""
    """Recipe of the guests' image; empty before there is one."""
    digest: str = ""
    acceleration: str = ""
    """``kvm`` or ``tcg``."""
    daemon: ProcessId | None = None
    socket: str = ""
    login: ProcessId | None = None
    login_port: int | None = None
    guests: dict[str, GuestState] = Field(default_factory=dict)
    lab: Path | None = None
    lab_sha256: str = ""
    proved: bool = False
    """Whether a guest of this image has really been booted and logged in to."""
    privsep_made: bool = False
    """Whether the directory that OpenSSH's server needs as root was made."""


def load(layout: Layout) -> State | None:
    """The state, ``None`` where there is no sandbox. Raises InputError when it cannot be read."""
    try:
        text = layout.state.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise refuse(layout.state, f"the sandbox's state cannot be read: {error.strerror}") from error
    try:
        return State.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise refuse(
            layout.state,
            f"the sandbox's state is damaged ({f'{where}: ' if where else ''}{first['msg']}); remove the sandbox with:"
            f" trialbed sandbox down --folder {layout.root}",
        ) from error


def save(layout: Layout, state: State) -> None:
    """Write the state so that it is whole at any moment. Raises InputError when the disk refuses."""
    fresh = layout.state.with_name("state.json.new")
    try:
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
        with open(descriptor, "w", encoding="utf-8") as file:  # noqa: PTH123 - opened with its permissions above
            file.write(state.model_dump_json(indent=2) + "\n")
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(layout.state)
    except OSError as error:
        raise refuse(layout.state, f"the sandbox's state cannot be written: {error.strerror}") from error


@contextmanager
def alone(layout: Layout) -> Iterator[None]:
    """Hold the sandbox for this command; the folder exists. Raises SandboxError when another one holds it."""
    try:
        descriptor = os.open(layout.lock, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    except FileNotFoundError as error:
        raise _busy(layout) from error  # the folder was removed at this moment
    except OSError as error:
        raise refuse(layout.lock, f"the sandbox cannot be locked: {error.strerror}") from error
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise _busy(layout) from error
        if not _is(descriptor, layout.lock):
            raise _busy(layout)  # removed between the two calls by a command that has just ended
        yield
    finally:
        os.close(descriptor)


def held(layout: Layout) -> bool:
    """Whether a command holds the sandbox at this moment; changes nothing."""
    try:
        descriptor = os.open(layout.lock, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)  # and with it what was held for a moment
    return False


def _is(descriptor: int, place: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(descriptor), place.stat())
    except OSError:
        return False


def _busy(layout: Layout) -> SandboxError:
    return SandboxError(
        f"another `trialbed sandbox` is at work in {layout.root}; nothing was changed: wait for it, or name another"
        " folder with --folder"
    )
