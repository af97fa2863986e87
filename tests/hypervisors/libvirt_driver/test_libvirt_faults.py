"""What errors of libvirt are turned into: those that the in-memory driver makes, and recorded ones of QEMU's."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

libvirt = pytest.importorskip("libvirt")

from libvirt_guest import outside

from orchestrator.errors import GuestFault, HostFault, StageError
from orchestrator.hypervisors.libvirt.faults import code_of, translate

WHERE = "qemu:///system"


class Recorded(libvirt.libvirtError):  # type: ignore[misc,name-defined]  # libvirt has no types
    """An error as libvirt would have set it: ``virError`` of libvirt/virterror.h."""

    def __init__(self, code: int, message: str, domain: int, number: int) -> None:
        super().__init__(message)
        self.code, self.message, self.domain, self.number = code, message, domain, number

    def get_error_code(self) -> int:
        return self.code

    def get_error_message(self) -> str:
        return self.message

    def get_error_domain(self) -> int:
        return self.domain

    def get_int1(self) -> int:
        return self.number


QEMU = libvirt.VIR_FROM_QEMU
RPC = libvirt.VIR_FROM_RPC


def fault_of(code: int, message: str, domain: int = QEMU, number: int = -1) -> StageError:
    return translate(Recorded(code, message, domain, number), "start bookings-1", WHERE)


MADE_BY_THE_TEST_DRIVER: dict[int, tuple[Callable[[Any], object], str]] = {
    libvirt.VIR_ERR_NO_DOMAIN: (lambda host: host.connection.lookupByName("nobody"), "correct the guest's domain"),
    libvirt.VIR_ERR_INVALID_ARG: (lambda host: host.domain.setVcpusFlags(0, 2), "does not accept the figures"),
    libvirt.VIR_ERR_OPERATION_INVALID: (lambda host: host.domain.vcpusFlags(1), "leave the guest to this run alone"),
    libvirt.VIR_ERR_NO_DOMAIN_METADATA: (lambda host: host.domain.metadata(2, "urn:x", 2), "does not have it"),
    libvirt.VIR_ERR_NO_SUPPORT: (lambda host: host.connection.getDomainCapabilities(), "cannot do it at all"),
    libvirt.VIR_ERR_XML_ERROR: (
        lambda host: host.connection.defineXML("<domain type='test'><name>b</name><memory>little</memory></domain>"),
        "compare the shape",
    ),
}


@pytest.mark.parametrize(("code", "made"), MADE_BY_THE_TEST_DRIVER.items())
def test_a_real_error_is_translated(code: int, made: tuple[Callable[[Any], object], str]) -> None:
    action, advice = made
    with outside() as host:
        with pytest.raises(libvirt.libvirtError) as raised:
            action(host)
        assert raised.value.get_error_code() == code
        fault = translate(raised.value, "do it", WHERE)
    assert isinstance(fault, HostFault)
    assert not fault.may_pass
    assert advice in str(fault)
    assert str(fault).startswith(f"could not do it: libvirt at {WHERE} says: ")


# Messages recorded from libvirt 9.0 with QEMU 7.2, unless said otherwise: (code, message, advice, may pass, kind).
RECORDED = [
    (38, "Cannot recv data: Host key verification failed.: Connection reset by peer", "known-hosts", False, HostFault),
    (38, "Cannot recv data: Permission denied (publickey).: Connection reset by peer", "may not", False, HostFault),
    (38, "Cannot recv data: ssh: Could not resolve hostname quay.example: x", "correct the host's", False, HostFault),
    (45, "authentication failed: no agent is available to authenticate", "log in with an account", False, HostFault),
    (88, "access denied: 'QEMU' denied access", "not do this", False, HostFault),
    (
        1,
        "internal error: process exited while connecting to monitor: qemu-system-x86_64: -netdev user,id=login: "
        "Could not set up host forwarding rule 'tcp:127.0.0.1:2301-:22'",
        "a port of the host that the guest forwards is in use",
        True,
        HostFault,
    ),
    (
        1,
        "internal error: cannot set up guest memory 'pc.ram': Cannot allocate memory",
        "ask for less",
        False,
        HostFault,
    ),
    (1, 'internal error: Failed to get "write" lock', "a disk of the guest is in use", False, HostFault),
    (1, "internal error: qemu unexpectedly closed the monitor", "log on the host", False, HostFault),
    (67, "CPU tuning is not available in session mode", "system connection", False, HostFault),
    (
        67,
        "unsupported configuration: Maximum CPUs greater than specified machine type limit 288",
        "another",
        False,
        HostFault,
    ),
    (55, "Requested operation is not valid: network 'default' is not active", "virsh net-start", False, HostFault),
    (55, "Requested operation is not valid: domain is already running", "somebody else", False, HostFault),
    (
        68,
        "Timed out during operation: cannot acquire state change lock (held by monitor=remoteDispatchDomainBackup)",
        "in use by another job",
        True,
        HostFault,
    ),
    (86, "Guest agent is not responding: QEMU guest agent is not connected", "agent inside", True, GuestFault),
    (9, "operation failed: domain 'b' already exists with uuid 5a7c", "another guest has this name", False, HostFault),
    (9999, "something new", "log on the host", False, HostFault),
]


@pytest.mark.parametrize(("code", "message", "advice", "may_pass", "kind"), RECORDED)
def test_a_recorded_error_is_translated(
    code: int, message: str, advice: str, may_pass: bool, kind: type[StageError]
) -> None:
    fault = fault_of(code, message)
    assert (type(fault), fault.may_pass) == (kind, may_pass)
    said, _, told = str(fault).partition("; ")
    assert said == f"could not start bookings-1: libvirt at {WHERE} says: {message.rstrip('.')}"
    assert advice in told


# Words of libvirt 9.0 and glibc, in English and by their German catalogues, with the numbers that libvirt gives beside
# them: (code, domain and errno; both texts; advice; may pass).
IN_TWO_LANGUAGES = [
    (
        (38, RPC, errno.ECONNREFUSED),
        ("Failed to connect socket to '/s': Connection refused",
         "Socket-Erstellung zu '/s' fehlgeschlagen: Verbindungsaufbau abgelehnt"),
        "see whether libvirtd", True,
    ),
    (
        (38, RPC, errno.ENOENT),
        ("Failed to connect socket to '/s': No such file or directory",
         "Socket-Erstellung zu '/s' fehlgeschlagen: Datei oder Verzeichnis nicht gefunden"),
        "see whether libvirtd", True,
    ),
    (
        (38, RPC, errno.EACCES),
        ("Failed to connect socket to '/s': Permission denied",
         "Socket-Erstellung zu '/s' fehlgeschlagen: Keine Berechtigung"),
        "may not connect", False,
    ),
    (
        (38, RPC, errno.EHOSTUNREACH),
        ("unable to connect to server at '192.0.2.9:16509': No route to host",
         "Kann keine Verbindung herstellen mit Server auf '192.0.2.9:16509': Keine Route zum Zielrechner"),
        "see whether libvirtd", True,
    ),
    (
        (38, RPC, errno.ECONNRESET),
        ("Cannot recv data: Connection reset by peer",
         "Kann keine Daten empfangen: Die Verbindung wurde vom Kommunikationspartner zurückgesetzt"),
        "the connection was lost", True,
    ),
    (
        (38, RPC, errno.ECONNRESET),
        ("Cannot recv data: Host key verification failed.: Connection reset by peer",
         "Kann keine Daten empfangen: Host key verification failed.: Die Verbindung wurde zurückgesetzt"),
        "known-hosts", False,
    ),
    (
        (38, RPC, errno.EIO),
        ("End of file while reading data: Input/output error",
         "Ende der Datei beim Lesen von Daten: Eingabe-/Ausgabefehler"),
        "the connection was lost", True,
    ),
    (
        (38, RPC, errno.ENOENT),
        ("Cannot read CA certificate '/etc/pki/CA/cacert.pem': No such file or directory",
         "Kann CA certificate '/etc/pki/CA/cacert.pem' nicht lesen: Datei oder Verzeichnis nicht gefunden"),
        "check the certificates", False,
    ),
    (
        (1, RPC, -1),
        ("internal error: client socket is closed", "Interner Fehler: Client Socket ist geschlossen"),
        "the connection was lost", True,
    ),
    (
        (1, RPC, -1),
        ("internal error: connection closed due to keepalive timeout",
         "Interner Fehler: connection closed due to keepalive timeout"),
        "the connection was lost", True,
    ),
    (
        (5, libvirt.VIR_FROM_NONE, -1),
        ("no connection driver available for foo:///x", "Kein Verbindungstreiber verfügbar für foo:///x"),
        "does not know such a uri", False,
    ),
    (
        (1, QEMU, -1),
        ("internal error: process exited: qemu-system-x86_64: Could not set up host forwarding rule 'tcp::2301-:22'",
         "Interner Fehler: Prozess beendet: qemu-system-x86_64: Could not set up host forwarding rule 'tcp::2301-:22'"),
        "a port of the host", True,
    ),
    (
        (1, QEMU, -1),
        ("internal error: qemu unexpectedly closed the monitor: -chardev socket: Address already in use",
         "Interner Fehler: qemu unexpectedly closed the monitor: -chardev socket: Address already in use"),
        "stop its user", True,
    ),
]  # fmt: skip


@pytest.mark.parametrize(("numbers", "messages", "advice", "may_pass"), IN_TWO_LANGUAGES)
def test_what_an_error_means_does_not_hang_on_the_language_of_libvirt(
    numbers: tuple[int, int, int], messages: tuple[str, str], advice: str, may_pass: bool
) -> None:
    code, domain, number = numbers
    for message in messages:
        fault = fault_of(code, message, domain, number)
        assert (advice in str(fault), fault.may_pass) == (True, may_pass), message
        assert fault.barred == ("Host key" in message)


_IN_GERMAN = """
import locale, libvirt
from orchestrator.hypervisors.libvirt.faults import translate
locale.setlocale(locale.LC_ALL, "")
libvirt.registerErrorHandler(lambda _context, _error: None, None)
try:
    libvirt.open("qemu+unix:///session?socket=/nowhere/libvirt-sock")
except libvirt.libvirtError as error:
    fault = translate(error, "connect", "there")
    print(fault.may_pass, error.get_error_message())
"""


@pytest.mark.real
def test_a_real_error_in_another_language_may_pass_as_in_english() -> None:
    environment = {**os.environ, "LC_ALL": "C.UTF-8", "LANGUAGE": "de"}
    done = subprocess.run(
        [sys.executable, "-c", _IN_GERMAN], env=environment, capture_output=True, encoding="utf-8", check=True
    )
    may_pass, _, message = done.stdout.partition(" ")
    if message.startswith("Failed to connect socket"):
        pytest.skip("libvirt's translations are not installed")
    assert (may_pass, "/nowhere/libvirt-sock" in message) == ("True", True)


def test_what_the_host_says_is_shown_on_one_line_escaped_and_not_too_long() -> None:
    text = str(fault_of(1, "first\nsecond\x1b[31m" + "x" * 5000 + " the end."))
    assert text.isprintable()
    assert "first second\\x1b[31m" in text
    assert "the end; " in text
    assert len(text) < 800


def test_an_error_without_a_message_still_says_what_was_asked() -> None:
    assert str(fault_of(1, "")).startswith(f"could not start bookings-1: libvirt at {WHERE} says: ")


def test_the_code_behind_a_fault() -> None:
    fault = fault_of(68, "busy")
    fault.__cause__ = Recorded(68, "busy", QEMU, -1)
    assert code_of(fault) == 68
    assert code_of(HostFault("of another kind")) is None
