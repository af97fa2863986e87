"""From what the lab names to addresses that can be written to. An address is a secret: it is in no message of ours."""

from __future__ import annotations

import logging
import os
import stat
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from orchestrator.core.design.notify import Occasion, Recipient
from orchestrator.core.design.wording import shown
from orchestrator.errors import InputError, Problem

_MOST_BYTES = 64 * 1024
_INSTALL = "messages need the library apprise: run pip install 'trialbed[notify]', or remove notify from the lab"


class Service(Protocol):
    """What apprise makes of an address."""

    def notify(self, *, title: str, body: str) -> bool:
        """Send; whether that was taken."""


@dataclass(frozen=True)
class Address:
    """One address that takes messages.

    Attributes:
        name: where it stands and what kind it is, fit to be shown: ``environment variable TRIALBED_NEWS (json)``.
        kind: the kind alone, apprise's word before ``://``.
        occasions: what is sent to it.
        service: sends; it holds the address.
    """

    name: str
    kind: str
    occasions: frozenset[Occasion]
    service: Service = field(repr=False)


def addresses(recipients: Sequence[Recipient], environment: Mapping[str, str]) -> tuple[Address, ...]:
    """The addresses that a lab names, each understood by apprise; nothing is sent.

    Args:
        recipients: as the lab has them.
        environment: the variables of this process.

    Raises:
        InputError: with all that is wrong, each with what to do.
    """
    if not recipients:
        return ()
    found: list[Address] = []
    problems: list[Problem] = []
    for position, recipient in enumerate(recipients):
        where = f"notify[{position}].{'environment' if recipient.environment else 'file'}"
        try:
            found += _of(recipient, environment)
        except _UnfitError as error:
            problems.append(Problem("lab", where, str(error)))
    if problems:
        raise InputError(problems)
    return tuple(found)


class _UnfitError(Exception):
    """Why nobody can be written to, and what to do; never with the address."""


def _of(recipient: Recipient, environment: Mapping[str, str]) -> Iterator[Address]:
    lines = [line.strip() for line in _text(recipient, environment).splitlines()]
    there = [(number, line) for number, line in enumerate(lines, start=1) if line and not line.startswith("#")]
    if not there:
        raise _UnfitError(f"{recipient.place} holds no address; write one a line, for example mailto://...")
    for number, line in there:
        at = f"{recipient.place}, line {number}" if len(there) > 1 else recipient.place
        kind = line.partition("://")[0].lower()
        if "://" not in line or not kind.isalnum() or (service := _understood(line)) is None:
            raise _UnfitError(
                f"{at}: apprise does not understand the address there (it is not shown, since it may hold a secret); "
                "see apprise's documentation for how it is written"
            )
        yield Address(f"{at} ({kind})", kind, frozenset(recipient.when), service)


def _text(recipient: Recipient, environment: Mapping[str, str]) -> str:
    if recipient.environment is not None:
        text = environment.get(recipient.environment)
        if text is None:
            raise _UnfitError(
                f"the environment variable {recipient.environment} is not set; set it where trialbed is started"
            )
        return text
    return _private_text(str(recipient.file))


def _private_text(name: str) -> str:
    """The content of a file that nobody but its owner can read."""
    path, said = Path(name).expanduser(), shown(name)
    try:
        # What is a named pipe must not be waited for.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            _refuse_unsafe(os.fstat(descriptor), said, path)
            content = os.read(descriptor, _MOST_BYTES + 1)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise _UnfitError(f"{said} cannot be read ({error.strerror}); check the path and who may read it") from error
    if len(content) > _MOST_BYTES:
        raise _UnfitError(f"{said} is larger than 64 KiB; name a file that holds addresses only, one a line")
    return content.decode("utf-8", "replace")


def _refuse_unsafe(status: os.stat_result, said: str, path: Path) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise _UnfitError(f"{said} is not a file")
    if status.st_uid not in {os.geteuid(), 0}:
        raise _UnfitError(f"{said} belongs to somebody else, who could change whom a run tells; use a file of your own")
    if status.st_mode & 0o077:
        raise _UnfitError(
            f"{said} can be read or changed by others (mode {stat.S_IMODE(status.st_mode):04o}), and it may hold a "
            f"secret; run chmod 600 {path}"
        )


def _understood(address: str) -> Service | None:
    """What apprise makes of an address; ``None`` where it makes nothing of it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # those of modules that it tries to load
        try:
            import apprise  # noqa: PLC0415 - an extra; it loads slowly, and only labs that name somebody need it
        except ImportError as error:
            raise _UnfitError(_INSTALL) from error
        for name in ("apprise", "urllib3", "requests"):
            _keep_quiet(logging.getLogger(name))
        try:
            return apprise.Apprise.instantiate(address, suppress_exceptions=True)
        except Exception:  # noqa: BLE001 - whatever a module of it stumbles over, and its words may hold the address
            return None


def _keep_quiet(logger: logging.Logger) -> None:
    """Have a library's own log, which may hold an address, printed nowhere."""
    logger.propagate = False
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
