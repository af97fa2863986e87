"""Kernel modules: which files a guest needs and in which order they are loaded.

A package holds modules without the list of their dependencies, which is made when it is installed; but each module
itself names those it needs (``depends=`` in its section ``.modinfo``).
"""

from __future__ import annotations

import gzip
import lzma
import re
from collections.abc import Iterable, Mapping
from pathlib import PurePosixPath

from orchestrator.errors import SandboxError

_DEPENDS = re.compile(rb"(?:^|\0)depends=([^\0]*)\0")
_NAME = re.compile(r"\.ko(\.xz|\.gz)?$")


def is_module(path: str) -> bool:
    """Whether a path of a kernel package is a module that can be read here."""
    return _NAME.search(path) is not None


def module_name(path: str) -> str:
    """A module's name: its file's name without what follows ``.ko``, with ``_`` for ``-``, as the kernel has it."""
    return _NAME.sub("", PurePosixPath(path).name).replace("-", "_")


def in_order(wanted: Iterable[str], files: Mapping[str, bytes], built_in: Iterable[str]) -> dict[str, bytes]:
    """The wanted modules and all that they depend on.

    Args:
        wanted: names such as ``virtio_net``.
        files: path to content of every module of the kernel, compressed or not.
        built_in: names of what the kernel itself contains.

    Returns:
        Name to uncompressed content, in an order in which each can be loaded.

    Raises:
        SandboxError: a module is neither there nor part of the kernel.
    """
    paths = {module_name(path): path for path in files}
    inside = {module_name(name) for name in built_in}
    ordered: dict[str, bytes] = {}

    def add(name: str, needed_by: str) -> None:
        if name in ordered or name in inside:
            return
        if name not in paths:
            raise SandboxError(
                f"the kernel has no module {name}, which {needed_by} needs; its package is not one that guests can use"
            )
        content = _uncompressed(paths[name], files[paths[name]])
        for other in _dependencies(content):
            add(other, f"module {name}")
        ordered[name] = content

    for name in wanted:
        add(name, "a guest")
    return ordered


def _uncompressed(path: str, content: bytes) -> bytes:
    if path.endswith(".xz"):
        return lzma.decompress(content)
    return gzip.decompress(content) if path.endswith(".gz") else content


def _dependencies(content: bytes) -> list[str]:
    found = _DEPENDS.search(content)
    return [name.replace("-", "_") for name in found[1].decode().split(",") if name] if found else []
