"""What programs need, against readelf of the GNU binutils."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.sandbox.elf import needs

PROGRAMS = [Path(sys.executable).resolve(), Path("/bin/sh").resolve(), Path("/usr/bin/env").resolve()]


def told_by_readelf(path: Path) -> tuple[str | None, tuple[str, ...]]:
    if shutil.which("readelf") is None:
        pytest.skip("readelf (binutils) is not installed")
    shown = subprocess.run(["readelf", "-lWd", str(path)], capture_output=True, text=True, check=True).stdout
    interpreter = re.search(r"program interpreter: ([^\]]+)\]", shown)
    return interpreter and interpreter[1], tuple(re.findall(r"\(NEEDED\)\s+Shared library: \[([^\]]+)\]", shown))


@pytest.mark.parametrize("path", PROGRAMS, ids=lambda path: path.name)
def test_needs_are_those_that_readelf_tells(path: Path) -> None:
    told = needs(path.read_bytes())
    assert told is not None
    assert (told.interpreter, told.libraries) == told_by_readelf(path)


def test_a_library_has_no_interpreter_of_its_own() -> None:
    libraries = sorted(Path("/usr/lib").glob("*/libz.so.1")) or sorted(Path("/lib").glob("*/libz.so.1"))
    if not libraries:
        pytest.skip("there is no libz.so.1 to look at")
    told = needs(libraries[0].read_bytes())
    assert told is not None
    assert told.interpreter is None
    assert "libc.so.6" in told.libraries


@pytest.mark.parametrize("content", [b"", b"#!/bin/sh\n", b"\x7fELF\x01\x01 32-bit", b"\x7fELF"])
def test_what_is_no_such_program_needs_nothing(content: bytes) -> None:
    assert needs(content) is None


def test_a_damaged_program_is_refused() -> None:
    whole = Path("/bin/sh").resolve().read_bytes()
    with pytest.raises(ValueError, match="damaged"):
        needs(whole[:200])
