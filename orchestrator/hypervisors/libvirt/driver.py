"""What a lab means by ``hypervisor: libvirt``; imports without libvirt-python."""

from __future__ import annotations

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.schedule import USUAL_SWITCH
from orchestrator.core.design.shape import FEATURES
from orchestrator.engine.ports import Clock, Connector, Equipment
from orchestrator.errors import InputError, Problem
from orchestrator.hypervisors.libvirt.settings import LibvirtSettings

_LIBRARY = frozenset({"libvirt", "libvirtmod"})


class LibvirtDriver:
    """A :class:`~orchestrator.engine.ports.Driver` of virtual machines, through any libvirt connection."""

    name = "libvirt"
    settings = LibvirtSettings
    features = FEATURES
    needs: frozenset[str] = frozenset({"uri", "ssh"})
    host_login: HostLogin = "lab"
    switch = USUAL_SWITCH

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        """Bind to a guest; the connection is opened by the first question.

        Raises:
            InputError: libvirt-python is not installed, or does not load.
        """
        try:
            from orchestrator.hypervisors.libvirt.hypervisor import LibvirtHypervisor  # noqa: PLC0415 - needs libvirt-python
        except ImportError as error:
            if error.name not in _LIBRARY:
                raise
            raise InputError([_missing(lab.guests[guest].host, error)]) from error
        return Equipment(LibvirtHypervisor(guest, lab, clock, connector))


def _missing(host: str, error: ImportError) -> Problem:
    field = f"hosts.{host}.hypervisor"
    if isinstance(error, ModuleNotFoundError):
        return Problem(
            "the lab",
            field,
            "the driver libvirt needs the package libvirt-python, which is not installed; "
            "run pip install libvirt-python (it builds against libvirt's headers: Debian libvirt-dev, gcc, "
            "pkg-config and python3-dev), or install your distribution's package (Debian python3-libvirt)",
        )
    return Problem(
        "the lab", field, f"the package libvirt-python is installed but does not load ({error}); install it anew"
    )
