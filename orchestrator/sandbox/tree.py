"""A guest's root file system, put together from packages and our own files, and checked before it is ever booted."""

from __future__ import annotations

import posixpath
import re
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fnmatch import translate

from orchestrator.errors import SandboxError
from orchestrator.sandbox import elf
from orchestrator.sandbox.archive import Entry, character_device, file, folder, link
from orchestrator.sandbox.debian import merged
from orchestrator.sandbox.modules import in_order, is_module
from orchestrator.sandbox.recipes import LOAD, Recipe, own_file

_LIBRARY = re.compile(r"usr/lib(64|/[a-z0-9_]+-linux-[a-z0-9]+)?/[^/]+\.so(\.[^/]*)?")
_BUILT_IN = re.compile(r"usr/lib/modules/[^/]+/modules\.builtin")
_KERNEL = re.compile(r"boot/vmlinuz-.*")
_MOST_LINKS = 16

#: What every guest has: mount points, folders that programs expect, and two nodes for the first moments of its boot.
_BASE: dict[str, Entry] = {
    **{name: link(f"usr/{name}") for name in ("bin", "sbin", "lib", "lib64")},
    **{name: folder() for name in ("dev", "proc", "sys", "run", "var/lib/postgresql", "etc/dropbear")},
    "tmp": folder(0o1777),
    "root": folder(0o700),
    "dev/console": character_device(5, 1),
    "dev/null": character_device(1, 3, 0o666),
    "etc/hostname": file(b"guest\n"),
}


@dataclass(frozen=True)
class Guest:
    """What a guest boots.

    Attributes:
        kernel: the kernel's file as the boot loader takes it.
        tree: its root file system.
    """

    kernel: bytes
    tree: dict[str, Entry]


class Wanted:
    """Tells which paths of a package are to be read: what a recipe keeps, and what may turn out to be needed."""

    def __init__(self, recipe: Recipe) -> None:
        self._keep = re.compile("|".join(translate(pattern) for pattern in recipe.keep))
        self._drop = re.compile("|".join(translate(pattern) for pattern in recipe.drop) or r"(?!)")

    def kept(self, path: str) -> bool:
        """Whether a guest has this path in any case."""
        return self._keep.fullmatch(path) is not None and self._drop.fullmatch(path) is None

    def __call__(self, path: str) -> bool:
        """Whether this path is to be read."""
        return self.kept(path) or bool(_LIBRARY.fullmatch(path) or _BUILT_IN.fullmatch(path) or is_module(path))


def assemble(recipe: Recipe, contents: Mapping[str, Entry], load: bytes, applets: list[str]) -> Guest:
    """Put a guest together.

    Args:
        recipe: what it is to be.
        contents: what was read from all its packages (:class:`Wanted`), by path.
        load: the compiled load.
        applets: the paths under which busybox is to be found, such as ``/bin/ls``.

    Raises:
        SandboxError: a pattern of the recipe matches nothing, or a module or a shared library is missing.
    """
    wanted = Wanted(recipe)
    kept = {path: entry for path, entry in contents.items() if wanted.kept(path)}
    _refuse_unmatched(recipe, kept)
    kernel = _only_kernel(kept)
    tree = {path: entry for path, entry in kept.items() if not path.startswith("boot/")}
    tree.update(_libraries(tree, contents))
    tree.update(_programs_of_postgres(tree))
    for path in map(merged, applets):
        tree.setdefault(path, link("/usr/bin/busybox"))
    tree.update(_modules(recipe, contents))
    tree.update({path: file(own_file(name), permissions) for path, (name, permissions) in recipe.own.items()})
    tree.update({path: link(target) for path, target in recipe.links})
    return Guest(kernel, {**_BASE, **tree, LOAD: file(load, 0o755)})


def _refuse_unmatched(recipe: Recipe, kept: Mapping[str, Entry]) -> None:
    empty = [pattern for pattern in recipe.keep if not any(re.fullmatch(translate(pattern), path) for path in kept)]
    if empty:
        raise SandboxError(
            f"the packages for the image {recipe.name} do not have {', '.join(empty)}; they are of a Debian release "
            "that guests cannot be built from (it takes 12 or later)"
        )


def _only_kernel(kept: Mapping[str, Entry]) -> bytes:
    kernels = [path for path in kept if _KERNEL.fullmatch(path)]
    if len(kernels) != 1:
        raise SandboxError(f"an image needs one kernel, and the packages have {', '.join(kernels) or 'none'}")
    return kept[kernels[0]].content


def _modules(recipe: Recipe, contents: Mapping[str, Entry]) -> Iterator[tuple[str, Entry]]:
    files = {path: entry.content for path, entry in contents.items() if is_module(path)}
    built_in = [
        name
        for path, entry in contents.items()
        if _BUILT_IN.fullmatch(path)
        for name in entry.content.decode().splitlines()
    ]
    ordered = in_order(recipe.modules, files, built_in)
    yield "etc/modules", file("".join(f"{name}\n" for name in ordered).encode())
    for name, content in ordered.items():
        yield f"usr/lib/modules/{name}.ko", file(content)


def _programs_of_postgres(tree: Mapping[str, Entry]) -> dict[str, Entry]:
    """Links by which the server's programs are found; they find their own files through them."""
    pattern = re.compile(r"usr/lib/postgresql/[^/]+/bin/([^/]+)")
    return {f"usr/bin/{found[1]}": link(f"/{path}") for path in tree if (found := pattern.fullmatch(path))}


def _libraries(tree: Mapping[str, Entry], contents: Mapping[str, Entry]) -> dict[str, Entry]:
    """The interpreters and shared libraries that the programs of a tree need, and those that these need."""
    named = {posixpath.basename(path): path for path in contents if _LIBRARY.fullmatch(path)}
    found: dict[str, Entry] = {}
    lacking: dict[str, str] = {}
    waiting = [(path, entry) for path, entry in tree.items() if stat.S_ISREG(entry.mode)]
    while waiting:
        path, entry = waiting.pop()
        for wanted in _needs(path, entry.content):
            chain = _follow(merged(wanted) if wanted.startswith("/") else named.get(wanted, wanted), contents)
            if chain is None:
                lacking.setdefault(wanted, path)
                continue
            waiting += [(step, contents[step]) for step in chain if step not in found and step not in tree]
            found.update({step: contents[step] for step in chain})
    if lacking:
        listed = "; ".join(f"{name} (needed by /{path})" for name, path in sorted(lacking.items()))
        raise SandboxError(f"shared libraries are in none of the image's packages: {listed}")
    return found


def _needs(path: str, content: bytes) -> list[str]:
    try:
        told = elf.needs(content)
    except ValueError as error:
        raise SandboxError(f"/{path} of the image's packages cannot be used: {error}") from error
    if told is None:
        return []
    return [*([told.interpreter] if told.interpreter else []), *told.libraries]


def _follow(path: str, contents: Mapping[str, Entry]) -> list[str] | None:
    """A path and all that it leads to over symbolic links; ``None`` when that leads nowhere."""
    chain: list[str] = []
    while path in contents and len(chain) < _MOST_LINKS:
        chain.append(path)
        entry = contents[path]
        if not stat.S_ISLNK(entry.mode):
            return chain
        path = merged(posixpath.join("/" + posixpath.dirname(path), entry.content.decode()))
    return None
