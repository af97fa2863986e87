"""What a lab means by ``hypervisor: libvirt``; imports without libvirt-python."""

from __future__ import annotations

import importlib

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.shape import FEATURES
from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock, Connector, Equipment, LeftBehind
from orchestrator.errors import InputError, Problem
from orchestrator.hypervisors.libvirt.settings import LibvirtSettings

_ABSENT = (
    "the driver libvirt needs the package libvirt-python, which is not installed; "
    "run pip install libvirt-python (it builds against libvirt's headers: Debian libvirt-dev, gcc, "
    "pkg-config and python3-dev), or install your distribution's package (Debian python3-libvirt)"
)
_BROKEN = (
    "the package libvirt-python is installed but does not load ({error}); install the library that it needs (Debian "
    "libvirt0), or the package anew"
)
_HIDDEN = (
    "another Python module of the name libvirt hides the package libvirt-python: {place}; move it away, or run this "
    "from another folder"
)


class LibvirtDriver:
    """A :class:`~orchestrator.engine.ports.Driver` of virtual machines, through any libvirt connection."""

    name = "libvirt"
    settings = LibvirtSettings
    features = FEATURES
    needs: frozenset[str] = frozenset({"uri", "ssh"})
    host_login: HostLogin = "lab"
    #: Measured on guests of the sandbox, which boot from memory: 10 to 17 s of boot, login, launch and stop. At most:
    #: common practice, no published source.
    switch = Switch(10.0, 180.0)
    left_behind: LeftBehind = "marked"

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        """Bind to a guest; the connection is opened by the first question.

        Raises:
            InputError: libvirt-python is not installed, does not load, or is hidden by another module of its name.
        """
        _insist_on_library(lab.guests[guest].host)
        from orchestrator.hypervisors.libvirt.hypervisor import LibvirtHypervisor  # noqa: PLC0415 - needs libvirt-python

        return Equipment(LibvirtHypervisor(guest, lab, clock, connector))


def _insist_on_library(host: str) -> None:
    """Load libvirt-python before anything that needs it: what comes of that is no defect of ours."""
    field = f"hosts.{host}.hypervisor"
    try:
        module = importlib.import_module("libvirt")
    except Exception as error:  # a module of that name may do anything
        absent = isinstance(error, ModuleNotFoundError) and error.name == "libvirt"
        reason = _ABSENT if absent else _BROKEN.format(error=printable(str(error)))
        raise InputError([Problem("the lab", field, reason)]) from error
    if not hasattr(module, "virConnect"):
        place = getattr(module, "__file__", None) or ", ".join(getattr(module, "__path__", ["it"]))
        raise InputError([Problem("the lab", field, _HIDDEN.format(place=printable(place)))])
