"""What the sandbox's guests are made of: a small recipe, and two that add to it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, replace
from importlib import resources

from orchestrator.errors import SandboxError
from orchestrator.units import Bytes

_MIB = 2**20

#: The line on its console with which a guest says that it has booted.
READY = "TRIALBED-GUEST-READY"
#: The C program that is compiled as every guest's load, and where it is in the guest.
LOAD_SOURCE, LOAD = "work.c", "usr/bin/work"

#: Packages that are only needed to install, configure or develop, not to run; and libLLVM, whose 100 MiB only serve the
#: compiler in PostgreSQL that is switched off here.
LEFT_OUT = (
    r"linux-base|kmod|initramfs-tools.*|linux-initramfs-tool|dracut.*|perl.*|libperl.*|libjson-perl|locales.*|libc-l10n"
    r"|.*debconf.*|ucf|postgresql-common.*|postgresql-client-common|ssl-cert|openssl|adduser|passwd|dpkg|tar|.*awk"
    r"|install-info|usrmerge|usr-is-merged|init-system-helpers|lsb-base|sysvinit-utils|sensible-utils|media-types|mailcap"
    r"|mime-support|readline-common|netbase|gcc-.*-base|openssh-client|libllvm.*"
)


@dataclass(frozen=True)
class Recipe:
    """How to make one kind of guest.

    Attributes:
        name: what it is asked for by.
        offers: what its guests have beyond a shell, in words.
        memory: that a guest is given.
        packages: Debian packages to begin with; what they depend on comes along as far as it is needed.
        keep: patterns (as of :mod:`fnmatch`, ``*`` also across folders) of the packages' paths that a guest has; shared
            libraries come along by themselves.
        drop: patterns of what is left out of that.
        modules: kernel modules, in the order in which they are loaded; what they depend on comes along.
        own: path in the guest to our own file (in ``guest/``) and its permissions.
        links: path in the guest to what it links to.
    """

    name: str
    offers: str
    memory: Bytes
    packages: tuple[str, ...]
    keep: tuple[str, ...]
    modules: tuple[str, ...]
    own: dict[str, tuple[str, int]]
    drop: tuple[str, ...] = ()
    links: tuple[tuple[str, str], ...] = ()

    def digest(self) -> str:
        """SHA-256 of the recipe and of our files in it, as hexadecimal text."""
        told = {
            "recipe": asdict(self),
            "left out": LEFT_OUT,
            "files": {name: hashlib.sha256(own_file(name)).hexdigest() for name in sorted(self.files())},
        }
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()

    def files(self) -> set[str]:
        """Names of our own files that go into it."""
        return {LOAD_SOURCE, *(name for name, _ in self.own.values())}


def own_file(name: str) -> bytes:
    """A file of ``guest/``."""
    return resources.files(__package__).joinpath("guest", name).read_bytes()


SMALL = Recipe(
    name="small",
    offers="a shell, SSH with SFTP, and the load `work`",
    memory=192 * _MIB,
    packages=(
        *("linux-image-cloud-amd64", "busybox-static", "dropbear-bin", "openssh-sftp-server"),
        *("libc-bin", "libgcc-s1", "base-files"),
    ),
    keep=(
        *(
            "boot/vmlinuz-*",
            "usr/bin/busybox",
            "usr/sbin/dropbear",
            "usr/lib/openssh/sftp-server",
            "usr/lib/sftp-server",
        ),
        *("usr/bin/getconf", "usr/lib/os-release", "etc/os-release"),
        "usr/lib/*/libgcc_s.so.1",  # is loaded by name when a thread of a C program is cancelled
    ),
    modules=("virtio_pci", "virtio_net", "virtio_rng", "button", "evdev", "pvpanic_mmio", "pvpanic_pci"),
    own={
        "etc/inittab": ("inittab", 0o644),
        "etc/rc": ("rc", 0o755),
        "etc/ready": ("ready", 0o755),
        "etc/acpi/PWRF/00000080": ("power-button", 0o755),
        "etc/passwd": ("passwd", 0o644),
        "etc/group": ("group", 0o644),
        "etc/hosts": ("hosts", 0o644),
        "etc/profile": ("profile", 0o644),
    },
    links=(("init", "usr/bin/busybox"), ("var/run", "/run")),
)

PYTHON = replace(
    SMALL,
    name="python",
    offers=f"{SMALL.offers}, and Python with SQLite: the workload `bookings`",
    memory=320 * _MIB,
    packages=(*SMALL.packages, "python3"),
    keep=(*SMALL.keep, "usr/bin/python3*", "usr/lib/python3*"),
    drop=(
        *("*/test/*", "*/idlelib/*", "*/ensurepip/*", "*/tkinter/*", "*/turtle*", "*/lib2to3/*", "*/pydoc_data/*"),
        *(
            "*/config-3*",
            "*/distutils/*",
            "usr/lib/python3/*",
            "*/lib-dynload/_test*",
            "*/lib-dynload/_xx*",
            "*/lib-dynload/xx*",
        ),
    ),
)

POSTGRES = replace(
    SMALL,
    name="postgres",
    offers=f"{SMALL.offers}, and PostgreSQL with psql and pgbench: start the server with `serve-postgres`",
    memory=640 * _MIB,
    packages=(*SMALL.packages, "postgresql"),
    keep=(
        *SMALL.keep,
        *(
            f"usr/lib/postgresql/*/bin/{name}"
            for name in ("postgres", "initdb", "pg_ctl", "pg_isready", "psql", "pgbench")
        ),
        *("usr/lib/postgresql/*/lib/plpgsql.so", "usr/lib/postgresql/*/lib/dict_snowball.so"),
        *("usr/share/postgresql/*", "usr/share/zoneinfo/Etc/UTC", "usr/share/zoneinfo/UTC"),
    ),
    drop=("*/man/*", "*/locale/*"),
    own={
        **SMALL.own,
        "usr/bin/serve-postgres": ("serve-postgres", 0o755),
        "etc/postgresql.conf": ("postgresql.conf", 0o644),
    },
    links=(
        *SMALL.links,
        ("etc/localtime", "/usr/share/zoneinfo/Etc/UTC"),
    ),
)

RECIPES: dict[str, Recipe] = {recipe.name: recipe for recipe in (SMALL, PYTHON, POSTGRES)}


def recipe(name: str) -> Recipe:
    """A recipe by its name.

    Raises:
        SandboxError: there is none of that name.
    """
    if name not in RECIPES:
        raise SandboxError(f"there is no image {name!r}; there are {', '.join(RECIPES)}")
    return RECIPES[name]
