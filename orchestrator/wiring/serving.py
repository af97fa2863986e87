"""The local page put together: where it listens, who may look, and what there is to say of that."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import socket
import stat
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, NoReturn

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.interrupts import heed
from orchestrator.errors import InputError, Problem

if TYPE_CHECKING:
    from orchestrator.adapters.web.access import Gate
    from orchestrator.adapters.web.server import Listening, Serving
    from orchestrator.engine.ports.clock import Clock

TOKEN: Final = "TRIALBED_WEB_TOKEN"  # noqa: S105 - the name of the variable
#: A page makes room for whatever measures on the same machine (setpriority(2)).
_NICER = 5
#: Letters, digits, hyphens and points (RFC 1123, 2.1), and underscores, which are met; IPv6 addresses.
_HOST_NAME = re.compile(r"[a-z0-9_]([a-z0-9._-]*)|[0-9a-f:.]*:[0-9a-f:.]*", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class Wish:
    """How the page is to be served.

    Attributes:
        store: the results folder.
        store_words: what a command has to be given to find it, from a blank on.
        per: period of the rates.
        address, port: where to listen.
        token_file: holds the token; ``None`` where the environment may.
        names: other names that the page is reached by, as through a proxy.
        certificate, key: for TLS.
    """

    store: str
    store_words: str = ""
    per: str = "second"
    address: str = "127.0.0.1"
    port: int = 0
    token_file: Path | None = None
    names: Sequence[str] = ()
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True)
class Page:
    """A page that is about to be served.

    Attributes:
        url: where it is found from this machine.
        remarks: what whoever serves it should know, a sentence each.
    """

    server: Serving
    url: str
    remarks: tuple[str, ...]


def serving(
    wish: Wish, defect: Callable[[Exception], None], notice: Callable[[str], None], clock: Clock | None = None
) -> Page:
    """Listen, and make ready what is to be served.

    Args:
        wish: how.
        defect: is told of what goes wrong while it serves.
        notice: is told in a sentence what whoever serves should know of while it does.
        clock: by which wrong tokens are slowed; this machine's where none is given.

    Raises:
        InputError: it cannot be served so; with what to do.
        StoreError: the store cannot be read.
    """
    from orchestrator.adapters.store import finding
    from orchestrator.adapters.web.access import Gate, Token
    from orchestrator.adapters.web.app import Site
    from orchestrator.adapters.web.guesses import Guesses
    from orchestrator.adapters.web.server import Ends, listen, serve
    from orchestrator.adapters.web.watching import Watching
    from orchestrator.adapters.web.work import Work
    from orchestrator.wiring.store_library import StoreLibrary

    heed()
    if wish.key is not None and wish.certificate is None:
        raise _wrong("--key", "a key without a certificate; give --certificate as well")
    finding.folders(Path(wish.store))
    token = _token(wish.token_file)
    if wrong := [name for name in wish.names if not _HOST_NAME.fullmatch(name)]:
        raise _wrong("--name", f"{wrong[0]!r} is no name of a host; give it without https://, port and path")
    listening = listen(wish.address, wish.port)
    try:
        if token is None and not listening.loopback:
            raise _wrong("--address", _needs_token(wish.address))
        encrypted = wish.certificate is not None
        gate = Gate(
            names=_names(wish, listening),
            any_address=not listening.loopback,
            token=None if token is None else Token(token, Guesses((clock or SystemClock()).monotonic, notice)),
            cookie=f"trialbed-{listening.port}",
            encrypted=encrypted,
        )
        work = Work()
        watching = Watching()
        site = Site(StoreLibrary(wish.store, wish.per, wish.store_words), work, watching, gate, defect)
        server = serve(site, Ends(watching, work), listening, wish.certificate, wish.key)
    except BaseException:
        listening.socket.close()
        raise
    remarks = [*_remarks(gate, listening, encrypted=encrypted), *_remarks_on(wish.token_file)]
    return Page(server, listening.url(encrypted=encrypted), tuple(remarks))


def give_way() -> None:
    """From now on let whatever else this machine does come first."""
    os.nice(_NICER)


def leave_behind(status: int) -> NoReturn:
    """End the program with what is in the making, which Python would wait for; only scratch files are removed."""
    from orchestrator.wiring.store_library import scratch_prefix

    for left in Path(tempfile.gettempdir()).glob(f"{scratch_prefix()}*"):
        shutil.rmtree(left, ignore_errors=True)
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(status)


def _token(file: Path | None) -> str | None:
    """The token from its file, else from the environment; ``None`` where there is none."""
    from orchestrator.adapters.web.access import SHORTEST_TOKEN

    where, told = TOKEN, os.environ.get(TOKEN)
    if file is not None:
        try:
            where, told = "--token-file", file.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "it is not text"
            raise _wrong("--token-file", f"{file} cannot be read: {reason}") from error
    if told is None:
        return None
    token = told.strip()
    if len(token) < SHORTEST_TOKEN or not (token.isascii() and token.isprintable()):  # headers carry ASCII
        raise _wrong(
            where,
            f"a token is a line of at least {SHORTEST_TOKEN} characters, all of them ASCII, and this one has "
            f"{len(token)}; make one with python3 -c 'import secrets; print(secrets.token_urlsafe(24))'",
        )
    return token


def _names(wish: Wish, listening: Listening) -> frozenset[str]:
    """Host names that the page answers to, beside loopback's."""
    names = {*wish.names, wish.address, listening.address}
    if not listening.loopback:
        names.add(socket.gethostname())
    return frozenset(f"[{name}]" if ":" in name else name.lower().removesuffix(".") for name in names)


def _remarks(gate: Gate, listening: Listening, *, encrypted: bool) -> list[str]:
    if listening.loopback:
        whom = "whoever has the token" if gate.token is not None else "every user of this machine"
        return [f"It can be read from this machine only, by {whom}."]
    remarks = [f"It can be read from other machines, at port {listening.port}, by whoever has the token."]
    if not encrypted:
        remarks.append(
            "It is plain HTTP, so the token can be read on the way. Give --certificate, or leave --address out and "
            f"look through a proxy with TLS or a tunnel: ssh -L {listening.port}:127.0.0.1:{listening.port} "
            f"{socket.gethostname()}"
        )
    return remarks


def _remarks_on(token_file: Path | None) -> list[str]:
    if token_file is None or not token_file.stat().st_mode & (stat.S_IRGRP | stat.S_IROTH):
        return []
    return [f"Other users of this machine can read the token: chmod 600 {shlex.quote(str(token_file))}"]


def _needs_token(address: str) -> str:
    return (
        f"{address} can be reached from other machines, so the page needs a token; set {TOKEN}, or give --token-file. "
        "Or leave --address out, and look through an SSH tunnel"
    )


def _wrong(option: str, message: str) -> InputError:
    return InputError([Problem(option, "", message)])
