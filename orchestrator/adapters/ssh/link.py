"""The socket under a login: opened within a time limit, and set so that the kernel notices a dead network."""

from __future__ import annotations

import errno
import ipaddress
import socket
from typing import Any

from orchestrator.adapters.ssh.greeting import ClosedError, SilentError, first_to_greet
from orchestrator.adapters.ssh.patience import Deadline
from orchestrator.adapters.ssh.peer import Peer
from orchestrator.engine.ports import Clock
from orchestrator.limited_call import limited

# An unanswered network ends the connection after 10 s: longer than a hiccup of a busy rack, shorter than a stage's
# limit. It sees a dead network only; before a frozen guest a forwarder, or the guest's own kernel, still acknowledges.
# That is why liveness is judged by data arriving (heartbeats), and why every wait here has its own limit as well.
DEAD_NETWORK_S = 10
KEEPALIVE_IDLE_S, KEEPALIVE_EVERY_S, KEEPALIVE_COUNT = 5, 2, 3

# What to make of a failed connection, and whether waiting can help (a guest that boots passes through some of them).
_REASONS: dict[int, tuple[str, bool]] = {
    errno.ECONNREFUSED: (
        "connection refused: nothing listens there (still booting, no SSH server, or another port)",
        True,
    ),
    errno.ECONNRESET: ("the connection was reset before anything was said", True),
    errno.EHOSTUNREACH: ("no route to it: the machine is off, or its address is wrong", True),
    errno.EHOSTDOWN: ("the machine is down", True),
    errno.ENETUNREACH: ("its network cannot be reached from here; see the routes of this machine", False),
    errno.EADDRNOTAVAIL: ("its address cannot be reached from here", False),
}

_Address = tuple[Any, ...]


def open_link(peer: Peer, clock: Clock, deadline: Deadline) -> socket.socket:
    """Connect, and wait for the first byte of the server's greeting without taking it.

    Raises:
        HostFault, GuestFault: with the reason.
    """
    problem: OSError | None = None
    addresses = _resolve(peer, deadline)
    for number, (family, address) in enumerate(addresses):
        share_s = deadline.left_s() / (len(addresses) - number)  # a silent first address must not use up all the time
        try:
            link = first_to_greet(family, address, clock, share_s)
        except SilentError as error:
            raise peer.fault(
                f"accepts connections but said nothing for {error.waited_s:.3g} s: "
                "still booting, frozen, or not an SSH server",
                may_pass=True,
                silent=True,
            ) from error
        except ClosedError as error:
            reason = "closed the connection at once: still booting, or it refuses more connections"
            raise peer.fault(reason, may_pass=True, silent=True) from error
        except OSError as error:
            problem = error
        else:
            _prepare(link)
            return link
    raise _explain(peer, problem, deadline) from problem


def _resolve(peer: Peer, deadline: Deadline) -> list[tuple[int, _Address]]:
    def look_up() -> list[tuple[int, _Address]]:
        found = socket.getaddrinfo(peer.address, peer.port, type=socket.SOCK_STREAM)
        return [(family, address) for family, _, _, _, address in found]

    try:
        return look_up() if _is_numeric(peer.address) else limited(look_up, deadline.left_s())
    except TimeoutError as error:
        raise peer.fault("its name was not resolved in time; see this machine's name servers", may_pass=True) from error
    except (OSError, UnicodeError) as error:
        may_pass = isinstance(error, socket.gaierror) and error.errno == socket.EAI_AGAIN
        raise peer.fault(
            f"its name cannot be resolved ({error}); see 'address' in the lab", may_pass=may_pass
        ) from error


def _is_numeric(address: str) -> bool:
    """Whether no name server has to be asked."""
    try:
        ipaddress.ip_address(address)
    except ValueError:
        return False
    return True


def _prepare(link: socket.socket) -> None:
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # clock exchanges are single small packets
    link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (
        ("TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_EVERY_S),
        ("TCP_KEEPCNT", KEEPALIVE_COUNT),
        ("TCP_USER_TIMEOUT", DEAD_NETWORK_S * 1000),
    ):
        if hasattr(socket, name):  # not every system has all of them
            link.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


def _explain(peer: Peer, error: OSError | None, deadline: Deadline) -> Exception:
    if error is None:
        return peer.fault("its name has no address; see 'address' in the lab")
    if isinstance(error, TimeoutError):
        return peer.fault(
            f"no connection within {deadline.allowed_s:.3g} s: the machine is off, or a firewall drops it",
            may_pass=True,
            silent=True,
        )
    reason, may_pass = _REASONS.get(error.errno or 0, (f"cannot be connected to ({error})", True))
    return peer.fault(reason, may_pass=may_pass, silent=may_pass)
