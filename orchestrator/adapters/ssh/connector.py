"""Opens logins: socket, key exchange, host key, public key, each within what is left of one time limit."""

from __future__ import annotations

from collections.abc import Sequence

import paramiko

from orchestrator.adapters.ssh.host_keys import Expected, expected_keys, offered_key
from orchestrator.adapters.ssh.identities import identities
from orchestrator.adapters.ssh.keepalive import HeardSocket, Keepalive, Rhythm
from orchestrator.adapters.ssh.link import open_link
from orchestrator.adapters.ssh.patience import Deadline
from orchestrator.adapters.ssh.peer import Peer, printable
from orchestrator.adapters.ssh.shell import SshShell, end
from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.ports import Clock
from orchestrator.errors import StageError
from orchestrator.units import Seconds

#: An agent on this machine answers at once, or asks a person.
_AGENT_WITHIN_S: Seconds = 10.0


class SshConnector:
    """Opens logins over SSH.

    Args:
        clock: stamps the lines of processes and measures every time limit.
        rhythm: how a machine that falls silent is noticed while a command is waited for.
    """

    def __init__(self, clock: Clock, rhythm: Rhythm | None = None) -> None:
        self._clock = clock
        self._rhythm = rhythm or Rhythm()

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:
        """What is missing here for a login; see :class:`orchestrator.engine.ports.Connector`."""
        peer = Peer.of(access, machine)
        try:
            expected = expected_keys(access, peer)
            if not expected.keys:
                return str(peer.fault(expected.nothing_for(peer)))
            with identities(access, peer, Deadline(self._clock, _AGENT_WITHIN_S)):
                return None
        except StageError as error:
            return str(error)

    def connect(self, access: SshAccess, *, machine: str, timeout_s: Seconds) -> SshShell:
        """Log in; see :class:`orchestrator.engine.ports.Connector`.

        What the lab itself gets wrong (identity, host key) is found before anything is sent.
        """
        peer = Peer.of(access, machine)
        deadline = Deadline(self._clock, timeout_s)
        expected = expected_keys(access, peer)
        with identities(access, peer, deadline) as keys:
            link = HeardSocket(open_link(peer, self._clock, deadline), self._clock)
            transport = paramiko.Transport(link)
            try:
                _negotiate(transport, expected, peer, deadline)
                _log_in(transport, keys, peer, deadline)
            except BaseException:
                end(transport)
                raise
        return SshShell(transport, peer, self._clock, Keepalive(transport, link, peer, self._clock, self._rhythm))


def _negotiate(transport: paramiko.Transport, expected: Expected, peer: Peer, deadline: Deadline) -> None:
    """Exchange keys and compare the host key that the server has proved to hold."""
    options = transport.get_security_options()
    options.key_types = expected.prefer(tuple(options.key_types))
    left_s = max(deadline.left_s(), 0.001)
    transport.banner_timeout = transport.handshake_timeout = left_s
    try:
        transport.start_client(timeout=left_s)
        # When time is up start_client returns as if all were well, and the next line finds no session.
        offered = offered_key(transport.get_remote_server_key())
    except paramiko.ssh_exception.IncompatiblePeer as error:
        raise peer.fault(f"it has no SSH algorithm in common with this program ({printable(error)})") from error
    except (paramiko.SSHException, EOFError, OSError) as error:
        if deadline.passed():
            raise peer.silent("keys were exchanged", deadline.allowed_s) from error
        reason = printable(error) or "it closed the connection"
        raise peer.fault(f"it does not answer as an SSH server should ({reason})", may_pass=True) from error
    expected.check(offered, peer)


def _log_in(transport: paramiko.Transport, keys: Sequence[paramiko.PKey], peer: Peer, deadline: Deadline) -> None:
    """Try one key after the other."""
    for key in keys:
        transport.auth_timeout = max(deadline.left_s(), 0.001)
        try:
            further = transport.auth_publickey(peer.user, key)
        except paramiko.BadAuthenticationType as error:
            allowed = printable(", ".join(error.allowed_types))
            raise peer.barred(
                f"login refused: it takes no public key, only {allowed}; allow public keys for this user"
            ) from error
        except (paramiko.SSHException, EOFError, OSError) as error:
            refused = _refusal(transport, error, peer, deadline)
            if refused is not None:
                raise refused from error
            continue
        if further:
            wanted = printable(", ".join(further))
            raise peer.barred(
                f"login refused: after the key it wants {wanted} too, which an unattended run cannot give"
            )
        return
    tried = ", ".join(str(offered_key(key)) for key in keys)
    hint = "see whether one is among the user's authorized keys, or name another 'identity' in the lab"
    raise peer.barred(f"login refused for user {peer.user!r}; tried {tried}; {hint}")


def _refusal(transport: paramiko.Transport, error: Exception, peer: Peer, deadline: Deadline) -> StageError | None:
    """What a failed try means; ``None`` when it was just not the right key."""
    if deadline.passed():
        return peer.silent("logging in", deadline.allowed_s)
    if not transport.is_active():
        # A Linux guest that is still booting does this (pam_nologin), and so does a server after too many tries.
        return peer.fault("closed the connection during the login: still booting, or it allows no login", may_pass=True)
    if isinstance(error, paramiko.AuthenticationException):
        return None
    return peer.fault(f"the login failed ({printable(error)})", may_pass=True)
