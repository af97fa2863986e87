"""The bag: its manifests and tag files written, and a bag in a folder checked with the reference library.

They are written here and not by the library: it works in place on a folder, with the process's working directory, dates
what it makes, lists tag files in the order of the disk, and declares the draft before RFC 8493.
"""

from __future__ import annotations

import hashlib
import logging
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import bagit  # type: ignore[import-untyped]  # it has no type information

from orchestrator.adapters.bundle.layout import (
    ALGORITHMS,
    BAG_INFO,
    BAGIT,
    BAGIT_TXT,
    BUNDLE_VERSION,
    MANIFESTS,
    TAG_MANIFESTS,
    VERSION_KEY,
)
from orchestrator.adapters.bundle.members import NotABundleError, quoted

_TAG = re.compile(r"([A-Za-z][A-Za-z0-9-]{0,63}): (.{0,1000})")
_LINE = re.compile(r"([0-9a-f]{64}|[0-9a-f]{128})  ?([^\r\n]+)")

# What the library finds it also logs, which would end on standard error beside our own message.
logging.getLogger("bagit").addHandler(logging.NullHandler())
logging.getLogger("bagit").propagate = False


def manifest(digests: Mapping[str, str]) -> bytes:
    """The lines of a manifest, by path."""
    return "".join(f"{digests[path]}  {path}\n" for path in sorted(digests)).encode()


def tag_files(payload: Mapping[str, Mapping[str, str]], info: Mapping[str, str]) -> dict[str, bytes]:
    """All files of a bag beside its payload.

    Args:
        payload: digests of each payload file, by algorithm and then by path.
        info: what ``bag-info.txt`` says.
    """
    files = {BAGIT: BAGIT_TXT, BAG_INFO: "".join(f"{key}: {value}\n" for key, value in info.items()).encode()}
    for name, algorithm in zip(MANIFESTS, ALGORITHMS, strict=True):
        files[name] = manifest(payload[algorithm])
    tags = {name: files[name] for name in sorted(files)}
    for name, algorithm in zip(TAG_MANIFESTS, ALGORITHMS, strict=True):
        files[name] = manifest({tag: hashlib.new(algorithm, content).hexdigest() for tag, content in tags.items()})
    return files


def read_info(folder: Path) -> dict[str, str]:
    """What ``bag-info.txt`` says, after ``bagit.txt`` was looked at.

    Raises:
        NotABundleError: either is not as bundles have it.
    """
    if (folder / BAGIT).read_bytes() != BAGIT_TXT:
        raise NotABundleError(f"has a {BAGIT} that is not of BagIt 1.0 in UTF-8")
    info: dict[str, str] = {}
    for line in _text(folder / BAG_INFO).splitlines():
        match = _TAG.fullmatch(line)
        if match is None or match[1] in info:
            why = "twice says" if match else "has a line that is none:"
            raise NotABundleError(f"has a {BAG_INFO} that {why} {quoted(match[1] if match else line)}")
        info[match[1]] = match[2].strip()
    version = info.get(VERSION_KEY)
    if version is None:
        raise NotABundleError(f"is a bag, but not of a run: its {BAG_INFO} has no {VERSION_KEY}")
    if version != BUNDLE_VERSION:
        raise NotABundleError(
            f"was packed by another version (layout {quoted(version)}; this one reads {BUNDLE_VERSION}); update it"
        )
    return info


def checked_digests(folder: Path, payload: set[str]) -> dict[str, str]:
    """Check a bag whole: every file against every digest; returns the payload's SHA-256 digests by path.

    Args:
        folder: the bag's.
        payload: the payload files that are there.

    Raises:
        NotABundleError: a file is damaged, missing, too much, or vouched for by one manifest only.
    """
    found = {name: _entries(folder / name) for name in (*MANIFESTS, *TAG_MANIFESTS)}
    tags = {BAGIT, BAG_INFO, *MANIFESTS}
    for name, listed in found.items():
        should = payload if name in MANIFESTS else tags
        if missing := sorted(should - listed.keys()):
            raise NotABundleError(f"has {quoted(missing[0])}, of which {name} knows nothing")
        if lost := sorted(listed.keys() - should):
            raise NotABundleError(f"lacks {quoted(lost[0])}, which {name} names")
    _validate(folder)
    return found[MANIFESTS[0]]


def _validate(folder: Path) -> None:
    try:
        bagit.Bag(str(folder)).validate(processes=1)
    except bagit.BagValidationError as error:
        raise NotABundleError(_first(error)) from error
    except (bagit.BagError, ValueError, LookupError, AttributeError, OSError) as error:
        # The library trusts the form of what it reads; a malformed file ends in whatever Python makes of it.
        raise NotABundleError(f"is no valid bag ({quoted(str(error))})") from error


def _first(error: Any) -> str:
    changed = [detail.path for detail in error.details if isinstance(detail, bagit.ChecksumMismatch)]
    if changed:
        more = f" and {len(set(changed)) - 1} more" if len(set(changed)) > 1 else ""
        return f"is damaged or was changed: {quoted(str(min(changed)))}{more} is not what its digest says"
    return f"is no valid bag ({quoted(str(error))})"


def _entries(path: Path) -> dict[str, str]:
    """Path to digest, of one manifest."""
    length = hashlib.new(ALGORITHMS[0] if ALGORITHMS[0] in path.name else ALGORITHMS[1]).digest_size * 2
    digests: dict[str, str] = {}
    for number, line in enumerate(_text(path).split("\n"), start=1):
        if not line:
            continue
        match = _LINE.fullmatch(line)
        if match is None or len(match[1]) != length:
            raise NotABundleError(f"has a line in {path.name} that is no digest and path (line {number})")
        if match[2] in digests:
            raise NotABundleError(f"names {quoted(match[2])} twice in {path.name}")
        digests[match[2]] = match[1]
    return digests


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise NotABundleError(f"has a {path.name} that is not UTF-8") from error
