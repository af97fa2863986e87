"""Keys made for one run and gone with it."""

from __future__ import annotations

import io

import paramiko
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


def new_key() -> tuple[paramiko.Ed25519Key, str]:
    """A new Ed25519 key, and the same as the text of an OpenSSH private key file."""
    text = (
        Ed25519PrivateKey.generate()
        .private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption())
        .decode("ascii")
    )
    return paramiko.Ed25519Key.from_private_key(io.StringIO(text)), text


def public_line(key: paramiko.PKey) -> str:
    """A key's public half as one line, the way known-hosts files and the lab's ``host-key`` have it."""
    return f"{key.get_name()} {key.get_base64()}"
