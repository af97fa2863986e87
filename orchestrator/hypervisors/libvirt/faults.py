"""What an error of libvirt means: what was asked, what the host said, what to do, and whether waiting can help.

libvirt's own words are translated on the side on which an error arises, so its numbers are asked first: code and
domain (libvirt/virterror.h: ``virErrorNumber``, ``virErrorDomain``), and with ``VIR_ERR_SYSTEM_ERROR`` the errno in
``int1``. The words of QEMU and ssh have no numbers, but are always English: libvirt starts both with ``LC_ALL=C``. What
libvirt's words alone tell apart changes the advice, and never whether waiting can help.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass

import libvirt

from orchestrator.core.design.wording import printable
from orchestrator.errors import GuestFault, HostFault, StageError

#: QEMU repeats its whole command line in some messages; the reason is at one of the ends.
_MOST_SAID = 400


@dataclass(frozen=True)
class Meaning:
    """One row of the table.

    Attributes:
        codes: of libvirt's ``virErrorNumber``; empty for any.
        says: what the host's message contains, in lower case; empty for any message.
        advice: what to do.
        may_pass: whether the same call can succeed after a pause.
        kind: whose fault it is.
        domain: of libvirt's ``virErrorDomain``; ``None`` for any.
        errnos: one of these is behind it; empty for any error, or none.
        barred: whether the host is not shown to be the one that is meant.
    """

    codes: frozenset[int]
    says: str
    advice: str
    may_pass: bool = False
    kind: type[StageError] = HostFault
    domain: int | None = None
    errnos: frozenset[int] = frozenset()
    barred: bool = False

    def fits(self, error: libvirt.libvirtError, said: str) -> bool:
        """Whether this is the meaning of an error whose message is ``said``, in lower case."""
        return (
            (not self.codes or error.get_error_code() in self.codes)
            and self.domain in {None, error.get_error_domain()}
            and (not self.errnos or error.get_int1() in self.errnos)
            and self.says in said
        )


def _codes(*names: str) -> frozenset[int]:
    """Numbers of codes; one that the installed libvirt-python does not know yet cannot come from it either."""
    return frozenset(number for name in names if (number := getattr(libvirt, f"VIR_ERR_{name}", None)) is not None)


_ANY = _codes()
_LINK = _codes("SYSTEM_ERROR", "RPC", "INTERNAL_ERROR", "SSH", "LIBSSH")
_SYSTEM, _INTERNAL = _codes("SYSTEM_ERROR"), _codes("INTERNAL_ERROR")
_RPC, _REMOTE, _LIBRARY = libvirt.VIR_FROM_RPC, libvirt.VIR_FROM_REMOTE, libvirt.VIR_FROM_NONE
#: What connect(2) says of a daemon that is not there, and what recv(2) and send(2) say of one that has gone; libvirt
#: itself calls the end of what it reads EIO.
_ABSENT = frozenset(
    {
        errno.ENOENT, errno.ECONNREFUSED, errno.EAGAIN, errno.EADDRNOTAVAIL, errno.ENETDOWN, errno.ENETUNREACH,
        errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ETIMEDOUT,
    }
)  # fmt: skip
_GONE = frozenset({errno.ECONNRESET, errno.ECONNABORTED, errno.ENOTCONN, errno.EPIPE, errno.EIO})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM})
_AUTH = _codes("AUTH_FAILED", "AUTH_CANCELLED", "AUTH_UNAVAILABLE")
_LOST = "the connection was lost; see whether the host and its libvirt daemon still run"
_MAY_NOT = "the account that runs this tool may not connect; see the group of the socket or key"
_CERTIFICATES = "check the certificates of both sides"
_TAKEN = "an address or port that the guest wants is in use: stop its user"
_DAEMON = "see whether libvirtd (or virtqemud) runs there, and whether the lab's uri is right"
_GUEST_LOG = "the guest's log on the host (/var/log/libvirt/qemu, or ~/.cache/libvirt/qemu/log) tells more"

#: The first row that fits is the meaning.
_TABLE: tuple[Meaning, ...] = (
    # The connection: first the words of ssh, which libvirt repeats within its own.
    Meaning(
        _LINK,
        "host key verification failed",
        "put the host's SSH key into the known-hosts file that the uri uses",
        barred=True,
    ),
    Meaning(_LINK, "could not resolve", "correct the host's name in the lab's uri"),
    Meaning(_LINK, "permission denied", _MAY_NOT),
    Meaning(_SYSTEM, "", _MAY_NOT, domain=_RPC, errnos=_FORBIDDEN),
    # The files that TLS needs are missed with the same numbers as a socket; they all have this ending.
    Meaning(_SYSTEM, ".pem'", _CERTIFICATES, domain=_RPC),
    Meaning(_SYSTEM, "", _DAEMON, may_pass=True, domain=_RPC, errnos=_ABSENT),
    Meaning(_SYSTEM, "", _LOST, may_pass=True, domain=_RPC, errnos=_GONE),
    Meaning(_INTERNAL, "", _LOST, may_pass=True, domain=_RPC),
    Meaning(
        _codes("NO_CONNECT"),
        "",
        "the installed libvirt does not know such a uri; correct it in the lab",
        domain=_LIBRARY,
    ),
    Meaning(
        _codes("INVALID_ARG"), "", "libvirt does not know this way to a host; correct the lab's uri", domain=_REMOTE
    ),
    Meaning(_AUTH, "", "log in with an account that may manage guests, or let polkit or SASL admit this one"),
    Meaning(
        _codes("ACCESS_DENIED", "OPERATION_DENIED"),
        "",
        "the account may connect but not do this; its owner can allow it in the host's access rules",
    ),
    Meaning(_codes("GNUTLS_ERROR"), "", _CERTIFICATES),
    Meaning(_codes("UNKNOWN_HOST", "NO_CONNECT", "INVALID_CONN"), "", _DAEMON, may_pass=True),
    # Starting.
    Meaning(
        _ANY,
        "set up host forwarding rule",
        "a port of the host that the guest forwards is in use, probably by another guest: stop that one",
        may_pass=True,
    ),
    Meaning(_ANY, "address already in use", _TAKEN, may_pass=True),
    Meaning(_SYSTEM, "", _TAKEN, may_pass=True, errnos=frozenset({errno.EADDRINUSE})),
    Meaning(_ANY, "cannot allocate memory", "the host has not got that much memory free; ask for less, or free some"),
    Meaning(_ANY, 'failed to get "', "a disk of the guest is in use by another guest; stop that one"),
    Meaning(_ANY, "kvm kernel module", "the host cannot run guests with KVM now; load the module, or see its firmware"),
    Meaning(_ANY, "cpu tuning is not available", "CPU quota and shares need a system connection (qemu:///system)"),
    Meaning(
        _ANY, "is not active", "start it on the host (virsh net-start, virsh pool-start), or make it start by itself"
    ),
    Meaning(_ANY, "already running", "somebody else has started it; leave the guest to this run alone"),
    Meaning(_ANY, "domain is not running", "it went off meanwhile; leave the guest to this run alone"),
    # The guest.
    Meaning(
        _codes("NO_DOMAIN"),
        "",
        "correct the guest's domain in the lab, or see with virsh list --all whether its uri is of the right host",
    ),
    Meaning(
        _codes("OPERATION_TIMEOUT", "RESOURCE_BUSY"),
        "",
        "the guest is in use by another job (a backup, a migration, another tool); wait until it is done",
        may_pass=True,
    ),
    Meaning(
        _codes("AGENT_UNRESPONSIVE", "AGENT_UNSYNCED"),
        "",
        "the agent inside the guest does not answer; see whether it runs there",
        may_pass=True,
        kind=GuestFault,
    ),
    Meaning(_codes("NO_DOMAIN_METADATA"), "", "the guest's definition does not have it"),
    Meaning(_codes("DOM_EXIST"), "", "another guest has this name or uuid; undo what was renamed or copied"),
    Meaning(_ANY, "already exists with uuid", "another guest has this name; undo what was renamed or copied"),
    # What was asked.
    Meaning(
        _codes("CONFIG_UNSUPPORTED", "ARGUMENT_UNSUPPORTED"),
        "",
        "the host, the machine type or the guest's definition does not allow it; ask for another shape",
    ),
    Meaning(
        _codes("NO_SUPPORT", "OPERATION_UNSUPPORTED"), "", "the hypervisor behind the lab's uri cannot do it at all"
    ),
    Meaning(
        _codes("INVALID_ARG", "XML_ERROR", "XML_DETAIL", "XML_INVALID_SCHEMA"),
        "",
        "libvirt does not accept the figures; compare the shape with the guest's definition",
    ),
    Meaning(_codes("OPERATION_INVALID"), "", "the guest's state does not allow it; leave the guest to this run alone"),
    Meaning(_codes("NO_MEMORY"), "", "the host is out of memory; free some"),
    Meaning(_codes("INTERNAL_ERROR", "OPERATION_FAILED"), "", _GUEST_LOG),
)
_UNKNOWN = Meaning(_ANY, "", _GUEST_LOG)


def translate(error: libvirt.libvirtError, asked: str, where: str) -> StageError:
    """The fault that an error of libvirt amounts to.

    Args:
        error: as caught.
        asked: what was asked, after "could not": ``start bookings-1``.
        where: the connection's uri.
    """
    said = _said(error)
    meaning = next((row for row in _TABLE if row.fits(error, said.lower())), _UNKNOWN)
    return meaning.kind(
        f"could not {asked}: libvirt at {where} says: {said}; {meaning.advice}",
        may_pass=meaning.may_pass,
        barred=meaning.barred,
    )


def code_of(error: StageError) -> int | None:
    """The code of libvirt that is behind a fault made here."""
    cause = error.__cause__
    return cause.get_error_code() if isinstance(cause, libvirt.libvirtError) else None


def _said(error: libvirt.libvirtError) -> str:
    """The host's message on one line, escaped; the middle of a long one is cut out."""
    text = printable(" ".join((error.get_error_message() or str(error) or "nothing").split()))
    if len(text) > _MOST_SAID:
        text = f"{text[: _MOST_SAID // 2]} ... {text[-_MOST_SAID // 2 :]}"
    return text.rstrip(".;")
