"""Whether a machine is the one that was meant: strict host keys, from the lab or a known-hosts file, never added to.

The format of the file is that of sshd(8), "SSH_KNOWN_HOSTS FILE FORMAT": optional marker, comma-separated patterns with
``*``, ``?`` and ``!`` or one hashed name, key type, base64 key, comment. Host certificates are not supported.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import paramiko

from orchestrator.adapters.ssh.peer import Peer, printable
from orchestrator.core.design.lab import SshAccess


@dataclass(frozen=True)
class HostKey:
    """A public key.

    Attributes:
        kind: such as ``ssh-ed25519``.
        blob: the key as it goes over the wire (RFC 4253, section 6.6).
    """

    kind: str
    blob: bytes

    def __str__(self) -> str:
        """Type and fingerprint, as OpenSSH shows them: SHA-256 in base64 without padding."""
        digest = base64.b64encode(hashlib.sha256(self.blob).digest()).decode().rstrip("=")
        return f"{self.kind} SHA256:{digest}"


@dataclass(frozen=True)
class Expected:
    """The keys that a machine may show.

    Attributes:
        source: where they are listed, for messages.
        keys: any of these is right.
        revoked: none of these ever is.
        authority: whether there is a line for it that only names a certificate authority.
    """

    source: str
    keys: tuple[HostKey, ...]
    revoked: tuple[HostKey, ...] = ()
    authority: bool = False

    def prefer(self, algorithms: tuple[str, ...]) -> tuple[str, ...]:
        """Order host key algorithms so that a server with several keys shows one that is known."""
        kinds = {key.kind for key in self.keys}
        known = [name for name in algorithms if (name if "rsa" not in name else "ssh-rsa") in kinds]
        return (*known, *(name for name in algorithms if name not in known))

    def check(self, offered: HostKey, peer: Peer) -> None:
        """Compare the key that a server has proved to hold.

        Raises:
            HostFault, GuestFault: it is revoked, unknown, or another than is known.
        """
        if offered in self.revoked:
            raise peer.barred(
                f"its host key {offered} is marked as revoked in {self.source}; do not trust this machine"
            )
        if any(hmac.compare_digest(offered.blob, key.blob) for key in self.keys):
            return
        if self.keys:
            expected = " or ".join(str(key) for key in self.keys)
            raise peer.barred(
                f"HOST KEY CHANGED: expected {expected}, offered {offered}. Either the machine was installed anew or "
                "another one answers in its place. Ask who looks after it; only when the new key is confirmed, replace "
                f"the old one in {self.source}"
            )
        raise peer.barred(
            f"its host key is unknown: it offers {offered}, and {self._lacks(peer)}. Compare "
            "the fingerprint with one read on the machine itself, then add the key there or as 'host-key' in the lab"
        )

    def nothing_for(self, peer: Peer) -> str:
        """What to say of a machine that is not listed, before it has shown any key."""
        return (
            f"its host key is unknown: {self._lacks(peer)}. Read the key on the machine itself, "
            "then add it there or as 'host-key' in the lab"
        )

    def _lacks(self, peer: Peer) -> str:
        lines = "no key but a certificate authority, which is not supported," if self.authority else "no key"
        return f"{self.source} has {lines} for {peer.key_name}"


def expected_keys(access: SshAccess, peer: Peer) -> Expected:
    """Read what is known about a machine, before anything is sent to it.

    Raises:
        HostFault, GuestFault: ``host-key`` is not a key, or the file cannot be read.
    """
    if access.host_key is not None:
        fields = access.host_key.split()
        key = _key(fields[0], fields[1]) if len(fields) >= 2 else None
        if key is None:
            found = printable(access.host_key, 60)
            raise peer.barred(
                f"'host-key' in the lab is not a public key: {found!r}; write for example 'ssh-ed25519 AAAA...'"
            )
        return Expected("'host-key' in the lab", (key,))
    path = Path(access.known_hosts).expanduser()
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return Expected(f"{path} (which does not exist)", ())
    except OSError as error:
        raise peer.barred(
            f"the known-hosts file {path} cannot be read ({error.strerror}); see 'known-hosts' in the lab"
        ) from error
    lines = [(marker, key) for marker, key in _lines_for(text, peer.key_name)]
    return Expected(
        str(path),
        tuple(key for marker, key in lines if marker == ""),
        tuple(key for marker, key in lines if marker == "@revoked"),
        any(marker == "@cert-authority" for marker, _ in lines),
    )


def offered_key(key: paramiko.PKey) -> HostKey:
    """The key that paramiko has verified the server to hold."""
    return HostKey(key.get_name(), key.asbytes())


def _lines_for(text: str, name: str) -> Iterator[tuple[str, HostKey]]:
    for line in text.splitlines():
        fields = line.split()
        marker = fields.pop(0) if fields and fields[0].startswith("@") else ""
        if len(fields) < 3 or fields[0].startswith("#") or not _matches(fields[0], name):
            continue
        key = _key(fields[1], fields[2])
        if key is not None:
            yield marker, key


def _key(kind: str, text: str) -> HostKey | None:
    try:
        blob = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return None
    # The blob begins with its own type as an RFC 4251 string; a line that contradicts itself is no key.
    stated = len(kind).to_bytes(4, "big") + kind.encode()
    return HostKey(kind, blob) if blob.startswith(stated) else None


def _matches(patterns: str, name: str) -> bool:
    if patterns.startswith("|"):
        return _hash_matches(patterns, name)
    found = False
    for pattern in patterns.lower().split(","):
        wanted = pattern.removeprefix("!")
        expression = "".join({"*": ".*", "?": "."}.get(c, re.escape(c)) for c in wanted)
        if re.fullmatch(expression, name):
            if wanted != pattern:
                return False
            found = True
    return found


def _hash_matches(field: str, name: str) -> bool:
    """A hashed name: ``|1|salt|hash`` with hash = HMAC-SHA1(salt, name)."""
    try:
        _, scheme, salt, digest = field.split("|")
        wanted = base64.b64decode(digest, validate=True)
        made = hmac.new(base64.b64decode(salt, validate=True), name.encode(), "sha1").digest()
    except (binascii.Error, ValueError):
        return False
    return scheme == "1" and hmac.compare_digest(made, wanted)
