"""The machine at the other end: how it is named in a message, and whose fault its failures are."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.design import wording
from orchestrator.core.design.lab import SshAccess
from orchestrator.errors import GuestFault, HostFault, StageError

SSH_PORT = 22


def printable(found: object, limit: int = 200) -> str:
    """Text of foreign origin, fit for a message: one line, no control characters, not longer than ``limit``."""
    text = wording.printable(str(found))
    return text if len(text) <= limit else f"{text[:limit]}..."


@dataclass(frozen=True)
class Peer:
    """A machine that is logged in to.

    Attributes:
        machine: ``host`` or ``guest``: decides whose fault a failure is.
        user, address, port: as in the lab.
    """

    machine: str
    user: str
    address: str
    port: int

    @classmethod
    def of(cls, access: SshAccess, machine: str) -> Peer:
        """The peer that a lab describes."""
        return cls(machine, access.user, access.address, access.port)

    @property
    def place(self) -> str:
        """Address and port as a person writes them."""
        return f"[{self.address}]:{self.port}" if ":" in self.address else f"{self.address}:{self.port}"

    @property
    def key_name(self) -> str:
        """The name under which a known-hosts file lists it: ``[address]:port`` unless the port is 22 (sshd(8))."""
        name = self.address.lower()
        return name if self.port == SSH_PORT else f"[{name}]:{self.port}"

    def fault(self, message: str, *, may_pass: bool = False, silent: bool = False, barred: bool = False) -> StageError:
        """An error of this machine, to be raised."""
        kind = HostFault if self.machine == "host" else GuestFault
        text = f"{self.machine} {self.user}@{self.place}: {message}"
        return kind(text, may_pass=may_pass, silent=silent, barred=barred)

    def barred(self, message: str) -> StageError:
        """It does not let the run in, or is not shown to be the one that is meant."""
        return self.fault(message, barred=True)

    def lost(self) -> StageError:
        """The connection is gone."""
        reason = "the connection was lost; see whether the machine and its network are up"
        return self.fault(reason, may_pass=True, silent=True)

    def silent(self, doing: str, seconds: float, *, may_pass: bool = True) -> StageError:
        """The connection stands, but nothing comes back."""
        reason = f"no answer for {seconds:.3g} s while {doing}; it may be frozen or overloaded"
        return self.fault(reason, may_pass=may_pass, silent=True)
