"""Bundles for tests: a good one taken apart into its files, and archives made of any files, entries and bytes."""

from __future__ import annotations

import hashlib
import io
import json
import re
import stat
import struct
import warnings
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from stored_runs import whole_run

RUN = "20260801T101112Z-ferry-0001"
Files = dict[str, bytes]

_TAG_FILES = {
    "bagit": "bagit.txt",
    "bag_info": "bag-info.txt",
    "manifest": "manifest-sha256.txt",
    "manifest_512": "manifest-sha512.txt",
}


def packed_run(folder: Path, **changes: Any) -> Path:
    """A bundle of a run with everything a run can have."""
    from orchestrator.wiring.packing import pack_run

    whole_run(folder / "results", **{"id": RUN, **changes})
    return pack_run("last", str(folder / "results"), folder / f"{RUN}.zip", anonymise=False, replacing=False).path


def parts(bundle: Path) -> Files:
    """The files of a bundle, by path below its one folder."""
    with zipfile.ZipFile(bundle) as archive:
        return {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}


def archive(files: Mapping[str, bytes], base: str = RUN, **entry: Any) -> bytes:
    """A zip file of files below one folder, as they are; ``entry`` sets attributes of each entry."""
    return archive_of([(f"{base}/{name}", content, entry) for name, content in files.items()])


def archive_of(entries: list[tuple[str, bytes, dict[str, Any]]]) -> bytes:
    """A zip file of entries: name, content and what else is set of it; nothing is checked."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as made:
        for name, content, attributes in entries:
            entry = zipfile.ZipInfo("x" * len(name))
            entry.external_attr = (stat.S_IFREG | 0o644) << 16
            for key, value in attributes.items():
                setattr(entry, key, value)
            entry.filename = name  # as it is: the constructor would cut it at a zero byte
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # of a name that is there already
                made.writestr(entry, content)
    return file.getvalue()


def bagged(files: Mapping[str, bytes], *, seal: bytes | None = None, **changed: bytes) -> Files:
    """Files with their seal, manifests and tag manifests made anew, so that only what else is wrong is wrong.

    The run's ``seal`` and ``changed`` tag files stay as given, the latter by the names in ``_TAG_FILES``.
    """
    found = {name: content for name, content in files.items() if not name.startswith(("manifest-", "tagmanifest-"))}
    run = {name.removeprefix("data/run/"): content for name, content in found.items() if name.startswith("data/run/")}
    run.pop("SHA256SUMS", None)
    found["data/run/SHA256SUMS"] = _lines("sha256", run) if seal is None else seal
    payload = {name: content for name, content in found.items() if name.startswith("data/")}
    oxum = f"Payload-Oxum: {sum(map(len, payload.values()))}.{len(payload)}".encode()
    found["bag-info.txt"] = re.sub(rb"Payload-Oxum: .*", oxum, found["bag-info.txt"])
    found |= {f"manifest-{name}.txt": _lines(name, payload) for name in ("sha256", "sha512")}
    found |= {_TAG_FILES[key]: content for key, content in changed.items()}
    tags = {name: content for name, content in found.items() if not name.startswith("data/")}
    return found | {f"tagmanifest-{name}.txt": _lines(name, tags) for name in ("sha256", "sha512")}


def _lines(algorithm: str, files: Mapping[str, bytes]) -> bytes:
    lines = (f"{hashlib.new(algorithm, files[name]).hexdigest()}  {name}\n" for name in sorted(files))
    return "".join(lines).encode()


def rewritten(files: Files, name: str, change: Callable[[Any], Any]) -> Files:
    """Files with one JSON document changed, and all digests made anew."""
    document = json.loads(files[name])
    result = change(document)
    return bagged(files | {name: json.dumps(document if result is None else result).encode()})


def with_central(content: bytes, name: str, offset: int, form: str, value: int) -> bytes:
    """A zip file with one field of an entry of its central directory written over (APPNOTE.TXT, section 4.3.12)."""
    at = content.index(b"PK\x01\x02")
    while content[at + 46 : at + 46 + struct.unpack_from("<H", content, at + 28)[0]] != name.encode():
        at = content.index(b"PK\x01\x02", at + 4)
    changed = bytearray(content)
    struct.pack_into(form, changed, at + offset, value)
    return bytes(changed)
