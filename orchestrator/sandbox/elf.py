"""What a program needs to be started: its interpreter and shared libraries, read from its ELF headers.

The structures are those of the System V Application Binary Interface, chapters 4 and 5 (object files, program loading),
in their 64-bit little-endian form. A library that is missing from an image is found when it is built, not at its boot.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

_MAGIC_64_LITTLE = b"\x7fELF\x02\x01"
_HEADER = struct.Struct("<16sHHIQQQIHHHHHH")
_SEGMENT = struct.Struct("<IIQQQQQQ")
_DYNAMIC = struct.Struct("<qQ")
_PT_LOAD, _PT_DYNAMIC, _PT_INTERP = 1, 2, 3
_DT_NULL, _DT_NEEDED, _DT_STRTAB = 0, 1, 5


@dataclass(frozen=True)
class Needs:
    """What the loader looks for before a program or library runs.

    Attributes:
        interpreter: path of the loader itself; ``None`` for a library or a static program.
        libraries: names such as ``libc.so.6``, in the file's order.
    """

    interpreter: str | None
    libraries: tuple[str, ...]


@dataclass(frozen=True)
class _Segment:
    kind: int
    offset: int
    address: int
    size: int


def needs(content: bytes) -> Needs | None:
    """Read the needs of a file.

    Returns:
        ``None`` when it is no 64-bit little-endian ELF file with program headers (a script, a kernel module).

    Raises:
        ValueError: it is one, but damaged.
    """
    if not content.startswith(_MAGIC_64_LITTLE):
        return None
    try:
        segments = _segments(content)
        interpreter = next((_text(content, part.offset) for part in segments if part.kind == _PT_INTERP), None)
        dynamic = next((part for part in segments if part.kind == _PT_DYNAMIC), None)
        libraries = () if dynamic is None else _needed(content, segments, dynamic)
    except (struct.error, ValueError, StopIteration) as error:
        raise ValueError("its ELF headers are damaged") from error
    return Needs(interpreter, libraries) if segments else None


def _segments(content: bytes) -> list[_Segment]:
    header = _HEADER.unpack_from(content)
    start, size, count = header[5], header[9], header[10]
    found = []
    for number in range(count):
        kind, _, offset, address, _, in_file, _, _ = _SEGMENT.unpack_from(content, start + number * size)
        found.append(_Segment(kind, offset, address, in_file))
    return found


def _needed(content: bytes, segments: list[_Segment], dynamic: _Segment) -> tuple[str, ...]:
    names, strings = [], 0
    for position in range(dynamic.offset, dynamic.offset + dynamic.size, _DYNAMIC.size):
        tag, value = _DYNAMIC.unpack_from(content, position)
        if tag == _DT_NULL:
            break
        if tag == _DT_NEEDED:
            names.append(value)
        elif tag == _DT_STRTAB:
            strings = _offset(segments, value)
    return tuple(_text(content, strings + name) for name in names)


def _offset(segments: list[_Segment], address: int) -> int:
    """Where in the file lies what will be loaded at an address."""
    part = next(s for s in segments if s.kind == _PT_LOAD and s.address <= address < s.address + s.size)
    return part.offset + address - part.address


def _text(content: bytes, start: int) -> str:
    return content[start : content.index(b"\0", start)].decode("utf-8", "replace")
