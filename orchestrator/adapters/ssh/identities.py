"""As whom a login is made: a private key file, or the keys that an agent offers. Never a password, never a question."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paramiko

from orchestrator.adapters.ssh.patience import Deadline
from orchestrator.adapters.ssh.peer import Peer
from orchestrator.core.design.lab import SshAccess
from orchestrator.limited_call import limited

# A server ends the connection after some tries; OpenSSH's MaxAuthTries is 6 unless set otherwise (sshd_config(5)).
MAX_TRIES = 6
_KINDS: tuple[type[paramiko.PKey], ...] = (paramiko.Ed25519Key, paramiko.ECDSAKey, paramiko.RSAKey)


@contextmanager
def identities(access: SshAccess, peer: Peer, deadline: Deadline) -> Iterator[list[paramiko.PKey]]:
    """The keys to try, in order; an agent's can sign as long as the block lasts.

    Raises:
        HostFault, GuestFault: the file is missing, cannot be read, needs a passphrase or is no private key; or there is
            neither a file nor an agent with keys.
    """
    if access.identity is not None:
        yield [_from_file(Path(access.identity).expanduser(), peer)]
        return
    try:
        agent = limited(_Agent, deadline.left_s())
    except (TimeoutError, OSError, paramiko.SSHException) as error:
        raise peer.barred("the SSH agent does not answer; name a key file as 'identity' in the lab") from error
    try:
        keys: list[paramiko.PKey] = list(agent.get_keys())
        if not keys:
            where = "the SSH agent holds no key" if "SSH_AUTH_SOCK" in os.environ else "no SSH agent is running"
            raise peer.barred(f"no 'identity' in the lab, and {where}; name a key file or add a key to the agent")
        yield keys[:MAX_TRIES]
    finally:
        agent.close()


class _Agent(paramiko.Agent):
    """An agent whose socket is closed also when it says nonsense or nothing."""

    def __init__(self) -> None:
        try:
            super().__init__()
        except BaseException:
            self.close()
            raise


def _from_file(path: Path, peer: Peer) -> paramiko.PKey:
    try:
        path.read_bytes()
    except FileNotFoundError as error:
        raise peer.barred(f"the identity file {path} does not exist; see 'identity' in the lab") from error
    except OSError as error:
        raise peer.barred(
            f"the identity file {path} cannot be read ({error.strerror}); see 'identity' in the lab"
        ) from error
    for kind in _KINDS:
        try:
            return kind.from_private_key_file(str(path))
        except paramiko.PasswordRequiredException as error:
            raise peer.barred(
                f"the identity file {path} needs a passphrase, and an unattended run asks for none; add the key to an "
                "SSH agent and leave 'identity' out of the lab"
            ) from error
        except (paramiko.SSHException, ValueError, IndexError):
            continue  # another kind of key, or none
    kinds = "Ed25519, ECDSA or RSA"
    raise peer.barred(f"the identity file {path} is no private key of a known kind ({kinds}); is it the public half?")
