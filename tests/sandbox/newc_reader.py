"""A reader of cpio archives, written from the kernel's documentation alone (early-userspace/buffer-format)."""

from __future__ import annotations

from dataclasses import dataclass

# "The structure of the cpio_header is as follows (all fields contain hexadecimal ASCII numbers fully padded with '0' on
# the left to the full width of the field)": c_magic of 6 bytes, then 13 fields of 8.
FIELDS = (
    "c_ino c_mode c_uid c_gid c_nlink c_mtime c_filesize c_maj c_min c_rmaj c_rmin c_namesize c_chksum".split()  # noqa: SIM905
)
HEADER = 6 + 8 * len(FIELDS)


@dataclass(frozen=True)
class Found:
    name: str
    fields: dict[str, int]
    data: bytes


def padded(length: int) -> int:
    return (length + 3) // 4 * 4


def read(archive: bytes) -> list[Found]:
    """All entries of all archives in a file, trailers left out."""
    found, position = [], 0
    while position < len(archive):
        magic = archive[position : position + 6]
        assert magic == b"070701", f"no header at {position}"
        header = archive[position + 6 : position + HEADER]
        fields = {name: int(header[8 * n : 8 * n + 8], 16) for n, name in enumerate(FIELDS)}
        start = position + HEADER
        name = archive[start : start + fields["c_namesize"]]
        assert name.endswith(b"\0")
        data = position + padded(HEADER + fields["c_namesize"])
        entry = Found(name[:-1].decode(), fields, archive[data : data + fields["c_filesize"]])
        position = data + padded(fields["c_filesize"])
        if entry.name != "TRAILER!!!":
            found.append(entry)
    return found
