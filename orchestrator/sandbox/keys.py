"""Keys: made by ssh-keygen, and the guest's host key written the way its server reads it.

The private key's file is read by OpenSSH's ``PROTOCOL.key``; its numbers are those of RFC 8709 (Ed25519 in SSH). The
guest's server keeps a key as its type and the 64 bytes of seed and public key, each a string of RFC 4251.
"""

from __future__ import annotations

import base64
import binascii
import struct
from pathlib import Path

from orchestrator.errors import SandboxError
from orchestrator.sandbox.commands import Runner

_TYPE = b"ssh-ed25519"
_MAGIC = b"openssh-key-v1\0"


def make_key(path: Path, comment: str, run: Runner) -> str:
    """Make an Ed25519 key without a passphrase, unless it is there.

    Args:
        path: of the private key (mode 0600); the public one is beside it, with ``.pub``.
        comment: at the end of the public key's line.
        run: runs ssh-keygen.

    Returns:
        The public key's line, such as ``ssh-ed25519 AAAA... comment``.

    Raises:
        SandboxError: ssh-keygen failed.
    """
    public = path.with_name(path.name + ".pub")
    if path.exists() and not public.exists():
        public.write_bytes(run(["ssh-keygen", "-y", "-f", str(path)]))
    elif not path.exists():
        run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", comment, "-f", str(path)])
    return public.read_text("utf-8").strip()


def server_key(path: Path) -> bytes:
    """A private key as the guest's server reads it.

    Raises:
        SandboxError: the file is no Ed25519 key of OpenSSH without a passphrase.
    """
    try:
        seed_and_public = _read(path.read_text("ascii"))
    except OSError as error:
        raise SandboxError(f"the host key {path} cannot be read: {error.strerror}") from error
    except (ValueError, struct.error, binascii.Error) as error:
        raise SandboxError(f"{path} is not an Ed25519 private key of OpenSSH without a passphrase") from error
    return _string(_TYPE) + _string(seed_and_public)


def _read(text: str) -> bytes:
    body = "".join(line for line in text.splitlines() if not line.startswith("-----"))
    rest = base64.b64decode(body, validate=True)
    if not rest.startswith(_MAGIC):
        raise ValueError
    rest = rest[len(_MAGIC) :]
    cipher, rest = _take(rest)
    _, rest = _take(rest)
    _, rest = _take(rest)
    (count,), rest = struct.unpack_from(">I", rest), rest[4:]
    _, rest = _take(rest)
    private, _ = _take(rest)
    kind, rest = _take(private[8:])  # after two equal check numbers
    public, rest = _take(rest)
    seed_and_public, _ = _take(rest)
    if (cipher, count, kind, len(seed_and_public)) != (b"none", 1, _TYPE, 64) or not seed_and_public.endswith(public):
        raise ValueError
    return seed_and_public


def _take(data: bytes) -> tuple[bytes, bytes]:
    """The first string of RFC 4251, section 5, and what follows it."""
    (length,) = struct.unpack_from(">I", data)
    if len(data) < 4 + length:
        raise ValueError
    return data[4 : 4 + length], data[4 + length :]


def _string(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data
