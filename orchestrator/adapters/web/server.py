"""The server: where it listens, and how it ends."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import signal
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from orchestrator.adapters.web.access import is_loopback
from orchestrator.adapters.web.app import Site
from orchestrator.adapters.web.watching import Watching
from orchestrator.adapters.web.work import Work
from orchestrator.errors import InputError, Problem
from orchestrator.units import Seconds

_ASKS_TO_END = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
#: For answers in hand when the server is asked to end; streams end at once.
_LAST_ANSWERS_S: Final = 3
#: For what is in the making then: a page is there within it, and a report may take long.
_LAST_WORK_S: Final[Seconds] = 0.5
#: At a time: a browser takes six, and beyond this number the machine is somebody else's.
_MOST_CONNECTIONS = 128
#: For a request to come whole, from when its connection is ready for it.
REQUEST_WITHIN_S: Final[Seconds] = 20


@dataclass(frozen=True)
class Ends:
    """What has to be ended with the server.

    Attributes:
        watching: its streams, ended at once.
        work: what is in the making, left behind after a moment.
    """

    watching: Watching
    work: Work


@dataclass(frozen=True)
class Listening:
    """A socket that takes connections.

    Attributes:
        address, port: of it, in numbers.
    """

    socket: socket.socket
    address: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches it."""
        return is_loopback(self.address)

    @property
    def everywhere(self) -> bool:
        """Whether it listens on every address of this machine."""
        return self.address in {"0.0.0.0", "::"}  # noqa: S104 - compared, not bound

    def url(self, *, encrypted: bool) -> str:
        """Where a browser on this machine finds it."""
        address = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self.address, self.address)  # noqa: S104
        host = f"[{address}]" if ":" in address else address
        return f"http{'s' if encrypted else ''}://{host}:{self.port}/"


def listen(address: str, port: int) -> Listening:
    """Begin to listen.

    Args:
        address: an address of this machine, or a name of one.
        port: 0 for any that is free.

    Raises:
        InputError: with what to do.
    """
    try:
        found = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, kind, protocol, _, place = found[0]
    except (OSError, UnicodeError) as error:
        raise _wrong("--address", f"{address!r} is no address that this machine knows: {_reason(error)}") from error
    made = socket.socket(family, kind, protocol)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(place)
        made.listen()
    except OSError as error:
        made.close()
        raise _refused(address, port, error) from error
    where = made.getsockname()
    return Listening(made, str(where[0]), int(where[1]))


def serve(site: Site, ends: Ends, listening: Listening, certificate: Path | None, key: Path | None) -> Serving:
    """What is to serve a site, ready to :meth:`Serving.run_to_the_end`.

    Args:
        site: what is served.
        ends: what would not end by itself.
        listening: where; closed at the end.
        certificate: in PEM, for TLS; ``None`` for plain HTTP.
        key: of the certificate, where that file does not hold it as well.

    Raises:
        InputError: the certificate cannot be used.
    """
    config = uvicorn.Config(
        site,
        http=_Impatient,
        ws="none",
        loop="asyncio",
        lifespan="off",
        log_config=None,
        log_level="critical",  # what there is to say is said by whoever serves
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_MOST_CONNECTIONS,
        timeout_graceful_shutdown=_LAST_ANSWERS_S,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError) as error:
        listening.socket.close()
        raise _wrong("--certificate", f"{certificate} cannot be used with its key: {_reason(error)}") from error
    return Serving(config, ends, listening)


class _Impatient(H11Protocol):
    """A connection that is closed when no request comes in time: who says nothing, or says it by drops, is in the way.

    uvicorn itself waits for a first request for ever, and for the rest of one as well.
    """

    _patience: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(cast("asyncio.Transport", transport))
        self._wait()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        self._wait_no_more()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._wait_no_more()
        self._patience = self.loop.call_later(REQUEST_WITHIN_S, self._close_if_idle)

    def _wait_no_more(self) -> None:
        if self._patience is not None:
            self._patience.cancel()

    def _close_if_idle(self) -> None:
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()


class Serving(uvicorn.Server):
    """A server that a signal, or :meth:`end` from any thread, ends."""

    def __init__(self, config: uvicorn.Config, ends: Ends, listening: Listening) -> None:
        super().__init__(config)
        self._ends, self._listening = ends, listening
        self._signalled = False
        self._ready: Callable[[], None] = lambda: None

    def run_to_the_end(self, ready: Callable[[], None]) -> None:
        """Serve until asked to end.

        Args:
            ready: called once connections are answered.

        Raises:
            KeyboardInterrupt: a signal asked.
        """
        self._ready = ready
        self.run(sockets=[self._listening.socket])
        if self._signalled:
            raise KeyboardInterrupt

    @property
    def unfinished(self) -> int:
        """How many answers are still in the making, though the server may have ended."""
        return self._ends.work.unfinished

    @property
    def at_work(self) -> bool:
        """Whether a thread of it is, be it for an answer or to look at a run that somebody watched."""
        return bool(self.unfinished or self._ends.watching.unfinished)

    def end(self) -> None:
        """Ask it to end."""
        self.should_exit = True

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """See uvicorn; afterwards somebody is told."""
        await super().startup(sockets)
        self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """See uvicorn, which would wait for streams that never end by themselves, and for work until it is done."""
        self._ends.watching.close()
        leaving = asyncio.get_running_loop().call_later(_LAST_WORK_S, self._ends.work.close)
        try:
            await super().shutdown(sockets)
        finally:
            leaving.cancel()
            self._ends.work.close()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Take over all signals that ask to end, but for those that are ignored, while the loop runs."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        loop = asyncio.get_running_loop()
        before = {number: signal.getsignal(number) for number in _ASKS_TO_END}
        taken = [number for number, handler in before.items() if handler is not signal.SIG_IGN]
        for number in taken:
            loop.add_signal_handler(number, self._asked_to_end)
        try:
            yield
        finally:
            for number in taken:
                loop.remove_signal_handler(number)
                signal.signal(number, before[number])

    def _asked_to_end(self) -> None:
        self.force_exit = self._signalled  # whoever asks twice does not want to wait
        self._signalled = self.should_exit = True


def _refused(address: str, port: int, error: OSError) -> InputError:
    if error.errno == errno.EADDRINUSE:
        return _wrong("--port", f"{port} is in use on {address}; give another one, or 0 for any that is free")
    if error.errno == errno.EACCES:
        return _wrong("--port", f"{port} is not for this user to listen on; give one above 1023, or 0 for any")
    if error.errno == errno.EADDRNOTAVAIL:
        return _wrong("--address", f"{address} is not an address of this machine; 127.0.0.1 always is")
    return _wrong("--address", f"cannot listen on {address}, port {port}: {_reason(error)}")


def _wrong(option: str, message: str) -> InputError:
    return InputError([Problem(option, "", message)])


def _reason(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
