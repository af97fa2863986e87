"""What has to be installed on this machine: Debian packages and a Python module, all that is missing named at once."""

from __future__ import annotations

import importlib.util

from orchestrator.errors import SandboxError
from orchestrator.sandbox import packages
from orchestrator.sandbox.commands import Runner

#: The daemon that does everything, and the one for QEMU alone that newer versions of libvirt split off it.
DAEMONS = ("libvirtd", "virtqemud")
_MODULE = (
    "the sandbox needs the Python module libvirt, which is not installed\n"
    "install with: pip install libvirt-python\n"
    "  (it is compiled: sudo apt-get install --no-install-recommends libvirt-dev gcc pkg-config python3-dev)"
)


def need(*names: str) -> str:
    """The absolute path of the first of these programs that is there. Raises SandboxError when none is."""
    found = next((place for name in names if (place := packages.program(name)) is not None), None)
    if found is None:
        raise SandboxError(f"the program {' or '.join(names)} is not installed")
    return found


def require(run: Runner) -> None:
    """Check that everything is there.

    Raises:
        SandboxError: naming all that is missing, and the commands that install it.
    """
    problems = []
    try:
        packages.require([*packages.BUILDING, *_running()], run)
    except SandboxError as error:
        problems.append(str(error))
    if not has_module():
        problems.append(_MODULE)
    if problems:
        raise SandboxError("\n".join((*problems, "nothing was changed")))


def has_module() -> bool:
    """Whether libvirt can be spoken to from here."""
    return importlib.util.find_spec("libvirt") is not None


def _running() -> list[packages.Requirement]:
    """Any of the daemons will do."""
    other = packages.program(DAEMONS[1]) is not None
    return [item for item in packages.RUNNING if not (other and item.program == DAEMONS[0])]
