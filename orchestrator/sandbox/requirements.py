"""What has to be installed on this machine: programs, the Debian packages they come in, and a Python module.

A program is looked for, not a package: it may have come by another way. All that is missing is named at once.
"""

from __future__ import annotations

import importlib
import platform
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from orchestrator.core.design.wording import printable
from orchestrator.errors import SandboxError
from orchestrator.sandbox.commands import Runner

#: Debian's name of the one architecture that guests are built for.
ARCHITECTURE = "amd64"

#: Where programs for the administrator are, which an ordinary user's PATH may leave out.
_ADMINISTRATORS = ("/usr/local/sbin", "/usr/sbin", "/sbin")


#: The daemon that does everything, and the one for QEMU alone that newer versions of libvirt split off it.
DAEMONS = ("libvirtd", "virtqemud")
_INSTALL_MODULE = (
    "install with: pip install libvirt-python\n"
    "  (it is compiled: sudo apt-get install --no-install-recommends libvirt-dev gcc pkg-config python3-dev)"
)


@dataclass(frozen=True)
class Requirement:
    """Something of this machine, and where Debian has it.

    Attributes:
        package: the Debian package.
        purpose: what the sandbox does with it.
        program: a program on the search path; ``None`` where files are looked for.
        files: glob patterns below the root, one of which has to match.
    """

    package: str
    purpose: str
    program: str | None = None
    files: tuple[str, ...] = ()


BUILDING: tuple[Requirement, ...] = (
    Requirement("gcc", "compiles the guests' load", "gcc"),
    Requirement(
        "libc6-dev",
        "links the guests' load so that it needs no library",
        files=("usr/lib/*/libc.a", "usr/lib/libc.a", "usr/lib64/libc.a"),
    ),
    Requirement("openssh-client", "makes keys", "ssh-keygen"),
)
RUNNING: tuple[Requirement, ...] = (
    Requirement("qemu-system-x86", "runs guests", "qemu-system-x86_64"),
    Requirement("libvirt-daemon", "defines, starts and stops guests", "libvirtd"),
    Requirement(
        "libvirt-daemon-driver-qemu",
        "is the part of libvirt that knows QEMU",
        files=(
            "usr/lib/*/libvirt/connection-driver/libvirt_driver_qemu.so",
            "usr/lib*/libvirt/*/libvirt_driver_qemu.so",
        ),
    ),
    Requirement("openssh-server", "is the login for the host's counters", "sshd"),
)


def program(name: str, search_path: str | None = None) -> str | None:
    """Where a program is, the administrator's folders included; ``None`` when it is not there.

    Args:
        name: of the program.
        search_path: instead of this process's PATH and the administrator's folders.
    """
    return shutil.which(name, path=search_path) or (
        None if search_path is not None else shutil.which(name, path=":".join(_ADMINISTRATORS))
    )


def need(*names: str) -> str:
    """The absolute path of the first of these programs that is there. Raises SandboxError when none is."""
    found = next((place for name in names if (place := program(name)) is not None), None)
    if found is None:
        raise SandboxError(f"the program {' or '.join(names)} is not installed")
    return found


@dataclass(frozen=True)
class ModuleTrouble:
    """Why libvirt cannot be spoken to from here, and what helps."""

    what: str
    remedy: str


def module_trouble() -> ModuleTrouble | None:
    """Try to load libvirt-python: it may be there and find no library, or be another module of its name."""
    try:
        module = importlib.import_module("libvirt")
    except Exception as error:  # noqa: BLE001 - a module of that name may do anything
        if isinstance(error, ModuleNotFoundError) and error.name == "libvirt":
            return ModuleTrouble("the Python module libvirt is not installed", _INSTALL_MODULE)
        return ModuleTrouble(
            f"the Python module libvirt is installed but does not load ({printable(str(error))})",
            "install the library that it needs: sudo apt-get install libvirt0\n"
            "or the module anew: pip install --force-reinstall libvirt-python",
        )
    if not hasattr(module, "virConnect"):
        place = getattr(module, "__file__", None) or ", ".join(getattr(module, "__path__", ["it"]))
        return ModuleTrouble(
            f"another Python module of the name libvirt hides libvirt-python: {printable(place)}",
            f"move it away, or run this from another folder; where libvirt-python is not there, {_INSTALL_MODULE}",
        )
    return None


def missing(
    requirements: Iterable[Requirement], search_path: str | None = None, root: Path = Path("/")
) -> list[Requirement]:
    """Those requirements that this machine does not meet, in their order."""

    def met(requirement: Requirement) -> bool:
        if requirement.program is not None:
            return program(requirement.program, search_path) is not None
        return any(True for pattern in requirement.files for _ in root.glob(pattern))

    return [requirement for requirement in requirements if not met(requirement)]


def require(run: Runner) -> None:
    """Insist on a machine that has everything: the packages, and the Python module.

    Raises:
        SandboxError: naming all that is missing, and the commands that install it.
    """
    problems = []
    try:
        require_packages([*BUILDING, *_running()], run)
    except SandboxError as error:
        problems.append(str(error))
    if (trouble := module_trouble()) is not None:
        problems.append(f"the sandbox cannot use libvirt: {trouble.what}\n{trouble.remedy}")
    if problems:
        raise SandboxError("\n".join((*problems, "nothing was changed")))


def _running() -> list[Requirement]:
    """Any of the daemons will do."""
    other = program(DAEMONS[1]) is not None
    return [item for item in RUNNING if not (other and item.program == DAEMONS[0])]


def require_packages(
    requirements: Sequence[Requirement], run: Runner, search_path: str | None = None, root: Path = Path("/")
) -> None:
    """Insist on a machine that can build and run guests.

    Args:
        requirements: such as ``(*BUILDING, *RUNNING)``.
        run: asks dpkg for the architecture.
        search_path: instead of PATH.
        root: of the file system in which files are looked for.

    Raises:
        SandboxError: it is no Debian system, of another architecture, or lacks packages; all of them are named.
    """
    if not all(program(name, search_path) for name in ("apt-get", "apt-cache", "dpkg", "dpkg-deb")):
        raise SandboxError(
            "the sandbox builds its guests from Debian packages and needs apt-get, apt-cache and dpkg; "
            "they are not here, so use a Debian system (12 or later), or a lab with guests of your own"
        )
    architecture = run(["dpkg", "--print-architecture"]).decode().strip()
    if architecture != ARCHITECTURE:
        raise SandboxError(
            f"the sandbox builds guests for {ARCHITECTURE} (64-bit x86) only, and this system is {architecture} "
            f"({platform.machine()}); use a lab with guests of your own"
        )
    lacking = missing(requirements, search_path, root)
    if lacking:
        width = max(len(requirement.package) for requirement in lacking)
        listed = "".join(f"\n  {item.package:{width}}  {item.purpose}" for item in lacking)
        names = " ".join(item.package for item in lacking)
        raise SandboxError(
            f"the sandbox needs {'a Debian package that is' if len(lacking) == 1 else 'Debian packages that are'} not "
            f"installed:{listed}\ninstall with: sudo apt-get install --no-install-recommends {names}"
        )
