"""A store that is served by a real server on a free port of loopback, and clients for it."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from orchestrator.engine.ports.clock import Clock
from orchestrator.wiring.serving import Wish, serving

TOKEN = "quiet-ferry-crossing-at-dawn"  # noqa: S105 - of these tests
#: Certificates are not asked for, and reading them would take longer than the answer.
_NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


@dataclass
class Served:
    """A server that runs.

    Attributes:
        defects: what went wrong in it.
        notices: what it told whoever serves.
        tls: what its certificate is checked with.
    """

    url: str
    remarks: tuple[str, ...]
    defects: list[Exception] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    tls: ssl.SSLContext = _NO_TLS

    def get(self, path: str, **headers: str) -> httpx.Response:
        """Ask for a path, without following where an answer leads."""
        return self.ask("GET", path, **headers)

    def ask(self, method: str, path: str, content: bytes | None = None, **headers: str) -> httpx.Response:
        """Ask in any way; underscores in names of headers stand for hyphens."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        with httpx.Client(base_url=self.url, timeout=60, verify=self.tls) as client:
            return client.request(method, path, headers=named, content=content)

    def line(self) -> socket.socket:
        """A connection on which a test says what it likes."""
        host, _, port = self.url.removeprefix("http://").rstrip("/").rpartition(":")
        return socket.create_connection((host, int(port)), timeout=60)

    @contextmanager
    def news(self, path: str, **headers: str) -> Iterator[Iterator[tuple[str, Any]]]:
        """Follow a stream (WHATWG HTML, 9.2.6): name and data of each event, until it ends."""
        with (
            httpx.Client(base_url=self.url, timeout=60, verify=_NO_TLS) as client,
            client.stream("GET", path, headers=headers) as answer,
        ):
            assert answer.status_code == 200
            assert answer.headers["content-type"].startswith("text/event-stream")
            yield _events(answer.iter_lines())


def _events(lines: Iterator[str]) -> Iterator[tuple[str, Any]]:
    name, data = "message", ""
    for line in lines:
        if line == "":
            if data:
                yield name, json.loads(data)
            name, data = "message", ""
        elif line.startswith("event:"):
            name = line.removeprefix("event:").strip()
        elif line.startswith("data:"):
            data += line.removeprefix("data:").strip()


@contextmanager
def served(store: Path, clock: Clock | None = None, **wishes: Any) -> Iterator[Served]:
    """Serve a store in a thread of this process, and see to it that nothing of it is left."""
    before = set(threading.enumerate())
    defects: list[Exception] = []
    notices: list[str] = []
    page = serving(Wish(str(store), **wishes), defects.append, notices.append, clock)
    ready = threading.Event()
    thread = threading.Thread(target=page.server.run_to_the_end, args=(ready.set,), name="served")
    thread.start()
    try:
        assert ready.wait(60), "the server does not come up"
        yield Served(page.url, page.remarks, defects, notices)
    finally:
        page.server.end()
        thread.join(30)
    assert not thread.is_alive()
    for one in set(threading.enumerate()) - before:  # workers are told to end, and not waited for
        one.join(30)
    left = [one.name for one in threading.enumerate() if one not in before]
    assert not left, f"threads are left: {left}"
    assert defects == []
