"""The file that a report for CI is written to: looked at before anything is measured, then replaced in one step."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from orchestrator.errors import InputError, Problem

_BEGINS = b"<?xml"


def check_report_file(path: str) -> None:
    """Refuse a file that could not be written, or that holds something else than an earlier report.

    Raises:
        InputError: what is in the way, and what to do.
    """
    file = Path(path)
    try:
        if not file.parent.is_dir():
            raise _refused(path, f"there is no folder {file.parent}; make it first")
        if not os.access(file.parent, os.W_OK):
            raise _refused(path, "its folder may not be written to; choose another")
        if not file.exists():
            return
        if not file.is_file():
            raise _refused(path, "is no plain file; name one that may be written, such as comparison.xml")
        with file.open("rb") as there:
            begins = there.read(len(_BEGINS))
    except OSError as error:
        raise _refused(path, f"cannot be looked at ({error.strerror}); choose another file") from error
    if begins and begins != _BEGINS:
        raise _refused(path, "is there already and is no XML; name another file, or move it away")


def write_report(path: str, content: bytes) -> None:
    """Write the report, or replace an earlier one: readers see the old or the new, never a part.

    Raises:
        InputError: the system refuses.
    """
    file = Path(path)
    partial = file.with_name(f".{file.name}-{secrets.token_hex(4)}")
    try:
        try:
            partial.write_bytes(content)
            partial.replace(file)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise _refused(path, f"cannot be written ({error.strerror}); choose another file") from error


def _refused(path: str, why: str) -> InputError:
    return InputError([Problem(path, "", why)])
