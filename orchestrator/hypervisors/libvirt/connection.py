"""A connection to libvirt that opens when it is needed, does not hang, and is opened anew after it was lost.

The calls of libvirt block without a limit of their own: a daemon that has stopped, or a QEMU that does not answer its
monitor, would hold the caller for ever, deaf to an interrupt. So each call is made in a thread of its own and given up
after a while; keep-alive messages notice a host that is gone. A connection whose call was given up is never used again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Any, TypeVar

import libvirt

from orchestrator.errors import HostFault
from orchestrator.hypervisors.libvirt.faults import translate
from orchestrator.limited_call import limited
from orchestrator.units import Seconds, format_duration

T = TypeVar("T")

#: A libvirt daemon waits 30 s for another job of the guest before it says so; that answer is worth waiting for.
ANSWER_WITHIN_S: Seconds = 45.0
OPEN_WITHIN_S: Seconds = 30.0
#: A host that does not answer is noticed after at most 5 s x (3 + 1).
_KEEP_ALIVE_EVERY_S = 5
_KEEP_ALIVE_MISSED = 3
_CLOSE_WITHIN_S: Seconds = 5.0
#: How long an interrupt waits for the call in hand: a guest must not be put back while a start is still under way.
_INTERRUPTED_WITHIN_S: Seconds = 10.0


class Connection:
    """One connection; safe to use from one thread at a time."""

    def __init__(self, uri: str) -> None:
        self.uri = uri
        self._opened: Any = None

    def call(self, asked: str, action: Callable[[Any], T], within_s: Seconds = ANSWER_WITHIN_S) -> T:
        """Do something with the open connection (a ``libvirt.virConnect``).

        Args:
            asked: what for, after "could not".
            action: called with the connection, in another thread.
            within_s: how long it may take.

        Raises:
            StageError: what :func:`~orchestrator.hypervisors.libvirt.faults.translate` makes of libvirt's error; a
                HostFault that may pass when no answer comes in time.
        """
        opened = self._open()
        try:
            return _limited(lambda: action(opened), within_s)
        except libvirt.libvirtError as error:
            if not _alive(opened):
                self.close()
            raise translate(error, asked, self.uri) from error
        except TimeoutError as error:
            self._opened = None  # its thread still waits in it, so that it cannot even be closed
            raise HostFault(
                f"could not {asked}: libvirt at {self.uri} gave no answer within {format_duration(within_s)}; "
                "see whether the host, its libvirt daemon and the guest's own process still run",
                may_pass=True,
            ) from error

    def close(self) -> None:
        """Close it; safe to call twice. The next call opens it again."""
        opened, self._opened = self._opened, None
        if opened is not None:
            with suppress(libvirt.libvirtError, TimeoutError):
                _limited(opened.close, _CLOSE_WITHIN_S)

    def _open(self) -> Any:
        if self._opened is not None and not _alive(self._opened):
            self.close()
        if self._opened is None:
            _ready_library()
            try:
                self._opened = _limited(lambda: _connect(self.uri), OPEN_WITHIN_S)
            except libvirt.libvirtError as error:
                raise translate(error, "connect", self.uri) from error
            except TimeoutError as error:
                raise HostFault(
                    f"could not connect: libvirt at {self.uri} gave no answer within {format_duration(OPEN_WITHIN_S)}; "
                    "see whether the host is up and its address in the lab's uri is right",
                    may_pass=True,
                ) from error
        return self._opened


def _connect(uri: str) -> Any:
    opened = libvirt.open(uri)
    with suppress(libvirt.libvirtError):  # connections inside this process have nobody to keep alive
        opened.setKeepAlive(_KEEP_ALIVE_EVERY_S, _KEEP_ALIVE_MISSED)
    return opened


def _limited(call: Callable[[], T], within_s: Seconds) -> T:
    """As given; a connection that comes when nobody waits for it any more is closed by its own end."""
    return limited(call, within_s, interrupted_s=_INTERRUPTED_WITHIN_S)


def _alive(opened: Any) -> bool:
    try:
        return bool(opened.isAlive())
    except libvirt.libvirtError:
        return False


# ------------------------------------------------------------------------------------------------------- the library

_library = threading.Lock()
_is_ready = False


def _ready_library() -> None:
    """Prepare libvirt once a process: its messages come as exceptions alone, and its event loop runs.

    Without an event loop nobody answers or sends keep-alive messages. It has to exist before the first connection.
    """
    global _is_ready  # noqa: PLW0603 - libvirt keeps it once a process as well
    with _library:
        if not _is_ready:
            libvirt.registerErrorHandler(lambda _context, _error: None, None)
            libvirt.virEventRegisterDefaultImpl()
            threading.Thread(target=_run_events, name="libvirt events", daemon=True).start()
            _is_ready = True


def _run_events() -> None:
    with suppress(libvirt.libvirtError):
        while True:
            libvirt.virEventRunDefaultImpl()
