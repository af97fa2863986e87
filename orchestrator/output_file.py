"""A file that a person asked for by name: it appears whole or not at all, and takes no other's place unasked."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from orchestrator.errors import InputError, Problem


def check(target: Path, *, replacing: bool) -> None:
    """Refuse what could not be written, before anything is made for it.

    Raises:
        InputError: what is in the way, and what to do.
    """
    try:
        if not target.parent.is_dir():
            raise _refused(target, f"there is no folder {target.parent}; make it first")
        if not os.access(target.parent, os.W_OK):
            raise _refused(target, "its folder may not be written to; choose another place with --output")
        if target.exists() and not target.is_file():  # a device would be lost
            raise _refused(target, "is no plain file; give another name with --output")
        if target.exists() and not replacing:
            raise _taken(target)
    except OSError as error:
        raise _unwritable(target, error) from error


@contextlib.contextmanager
def appearing(target: Path, *, replacing: bool) -> Iterator[IO[bytes]]:
    """A file to be written, on the disk under its name when the block ends; after an error there is nothing of it.

    It is found by its ``name`` until then, beside the target, so that it can be looked at before it is believed.

    Raises:
        InputError: there is such a file by now, or the system refuses.
    """
    unnamed = target.with_name(f".partial-{secrets.token_hex(8)}")
    try:
        with unnamed.open("xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _appear(unnamed, target, replacing=replacing)
    except OSError as error:
        raise _unwritable(target, error) from error
    finally:
        with contextlib.suppress(OSError):
            unnamed.unlink(missing_ok=True)


def _appear(unnamed: Path, target: Path, *, replacing: bool) -> None:
    if replacing:
        unnamed.replace(target)
        return
    try:
        os.link(unnamed, target)  # refuses where there is such a file, whoever was quicker
    except FileExistsError as error:
        raise _taken(target) from error
    except OSError as error:  # a file system without hard links
        if target.exists():
            raise _taken(target) from error
        unnamed.rename(target)


def _taken(target: Path) -> InputError:
    return _refused(target, "is there already; give another name with --output, or --replace")


def _unwritable(target: Path, error: OSError) -> InputError:
    return _refused(target, f"cannot be written ({error.strerror}); choose another place with --output")


def _refused(target: Path, why: str) -> InputError:
    return InputError([Problem(str(target), "", why)])
