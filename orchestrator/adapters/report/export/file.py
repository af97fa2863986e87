"""The file that a report is written to: it appears whole or not at all, and takes no other's place unasked."""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

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
        if target.exists() and not target.is_file():
            raise _refused(target, "is no plain file; give another name with --output")
        if target.exists() and not replacing:
            raise _taken(target)
    except OSError as error:
        raise _unwritable(target, error) from error


def write(target: Path, content: bytes, *, replacing: bool) -> None:
    """Write the file: whoever looks sees the whole of it, or what was there before.

    Raises:
        InputError: it is there by now, or the system refuses.
    """
    unnamed = target.with_name(f".partial-{secrets.token_hex(8)}")
    try:
        try:
            with unnamed.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            _appear(unnamed, target, replacing=replacing)
        finally:
            with contextlib.suppress(OSError):
                unnamed.unlink(missing_ok=True)
    except OSError as error:
        raise _unwritable(target, error) from error


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
