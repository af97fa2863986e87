"""Guests' images: a kernel and the root file system that it unpacks into memory, kept by what they are made of.

::

    CACHE/packages/NAME_VERSION_ARCHITECTURE.deb       as downloaded
    CACHE/RECIPE-DIGEST/{vmlinuz,initrd,recipe.json}   as built; appears whole or not at all

The digest covers the recipe, every package's own digest and our own files, so that an image is built anew exactly when
one of them has changed. Keys are no part of it: :func:`personal` appends them for one guest.
"""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from orchestrator.errors import SandboxError
from orchestrator.sandbox import debian, requirements
from orchestrator.sandbox.archive import Entry, file, newc
from orchestrator.sandbox.cache import PACKAGES, PARTIAL, clear_partial, explained, scratch, sha256, write_new
from orchestrator.sandbox.commands import Runner
from orchestrator.sandbox.commands import run as run_here
from orchestrator.sandbox.keys import server_key
from orchestrator.sandbox.recipes import LEFT_OUT, LOAD_SOURCE, Recipe, own_file, recipe
from orchestrator.sandbox.tree import Guest, Wanted, assemble
from orchestrator.units import Bytes, format_size

#: Counts changes of this package that give other bytes for the same recipe, packages and files.
_FORM = 1
_BUSYBOX = "usr/bin/busybox"
_COMPILE = ("gcc", "-std=c11", "-O2", "-Wall", "-static", "-pthread")


@dataclass(frozen=True)
class Image:
    """A built image.

    Attributes:
        kernel, initrd: its files; the second lacks keys (:func:`personal`), so that nobody can log in to it.
        digest: of everything that it was made of.
        recipe: its name.
        memory: that a guest of it is given.
    """

    kernel: Path
    initrd: Path
    digest: str
    recipe: str
    memory: Bytes


def build(recipe_name: str, cache: Path, say: Callable[[str], None], run: Runner = run_here) -> Image:
    """Have an image: the one that is kept where nothing it is made of has changed, else a new one.

    Args:
        recipe_name: ``small``, ``python`` or ``postgres``.
        cache: folder in which packages and images are kept; made if it is not there.
        say: is told in words what takes time.
        run: runs the programs of this machine.

    Raises:
        SandboxError: the machine lacks something, packages cannot be had, or they do not fit the recipe.
    """
    made_of = recipe(recipe_name)
    requirements.require_packages(requirements.BUILDING, run)
    chosen = debian.resolve(debian.closure(made_of.packages, LEFT_OUT, run), run)
    digest = _digest(made_of, chosen)
    with explained(cache):
        cache.mkdir(parents=True, exist_ok=True)
        clear_partial(cache)
        place = cache / f"{recipe_name}-{digest}"
        if (kept := _kept(place, made_of, digest)) is not None:
            return kept
        size = format_size(sum(package.size for package in chosen))
        say(f"building the image {recipe_name} from {len(chosen)} Debian packages ({size})")
        files = debian.download(chosen, cache / PACKAGES, run)
        with scratch(cache) as folder:
            guest = _make(made_of, files, folder, run)
            told = {"recipe": recipe_name, "packages": [package.file for package in chosen]}
            _publish(guest, told, folder, place)
        image = _kept(place, made_of, digest)
    if image is None:
        raise SandboxError(f"the image in {place} was changed while it was built; try again")
    say(f"built the image {recipe_name}: {format_size(image.initrd.stat().st_size)} beside the kernel, kept in {place}")
    return image


def _digest(made_of: Recipe, chosen: list[debian.Package]) -> str:
    told = {"form": _FORM, "recipe": made_of.digest(), "packages": [[p.file, p.check] for p in chosen]}
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()[:16]


def _kept(place: Path, made_of: Recipe, digest: str) -> Image | None:
    """The image in a folder, if it is as it was built; one that is damaged is removed."""
    try:
        told = json.loads((place / "recipe.json").read_bytes())
        whole = all(sha256(place / name) == told["sha256"][name] for name in ("vmlinuz", "initrd"))
    except (FileNotFoundError, ValueError, KeyError, TypeError):
        whole = False
    if not whole:
        shutil.rmtree(place, ignore_errors=True)
        return None
    return Image(place / "vmlinuz", place / "initrd", digest, made_of.name, made_of.memory)


def _make(made_of: Recipe, files: list[Path], scratch: Path, run: Runner) -> Guest:
    wanted, contents = Wanted(made_of), dict[str, Entry]()
    for path in files:
        contents.update(debian.contents(path, wanted, run))
    source, load, busybox = scratch / LOAD_SOURCE, scratch / "load", scratch / "busybox"
    source.write_bytes(own_file(LOAD_SOURCE))
    run([*_COMPILE, "-o", str(load), str(source)])
    if _BUSYBOX not in contents:
        raise SandboxError(f"the packages for the image {made_of.name} do not have {_BUSYBOX}")
    busybox.write_bytes(contents[_BUSYBOX].content)
    busybox.chmod(0o755)
    applets = run([str(busybox), "--list-full"]).decode().split()
    return assemble(made_of, contents, load.read_bytes(), applets)


def _publish(guest: Guest, told: Mapping[str, object], scratch: Path, place: Path) -> None:
    """Write the image and have it appear in one rename; another builder's, which is the same, is as good."""
    parts = {"vmlinuz": guest.kernel, "initrd": newc(guest.tree)}
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in parts.items()}
    parts["recipe.json"] = json.dumps({**told, "sha256": digests}, indent=2).encode() + b"\n"
    finished = scratch / "image"
    finished.mkdir(mode=0o755)
    for name, content in parts.items():
        write_new(finished / name, content)
    try:
        finished.rename(place)
    except OSError as error:
        if error.errno not in {errno.ENOTEMPTY, errno.EEXIST}:
            raise


def personal(image: Image, guest_name: str, host_key: Path, authorized_key: str, target: Path) -> Path:
    """Write an image's root file system for one guest: with its name, its host key and whom it lets in.

    Args:
        image: what it is made from; it is not changed.
        guest_name: the guest's host name.
        host_key: an Ed25519 private key of OpenSSH without passphrase: the guest's own.
        authorized_key: the line of the public key that may log in as root.
        target: file to write, for its owner only, since it holds the host key.

    Returns:
        ``target``, to be booted with the image's kernel.

    Raises:
        SandboxError: the key cannot be used, or the disk refuses.
    """
    overlay = newc(
        {
            "etc/hostname": file(f"{guest_name}\n".encode()),
            "etc/dropbear/hostkey": file(server_key(host_key), 0o600),
            "etc/dropbear/authorized_keys": file(f"{authorized_key.strip()}\n".encode(), 0o600),
        }
    )
    with explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        partial = target.with_name(f"{PARTIAL}{target.name}")
        partial.unlink(missing_ok=True)
        write_new(partial, image.initrd.read_bytes() + overlay, 0o600)
        partial.replace(target)
    return target
