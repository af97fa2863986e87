"""Who may look: names that the page answers to, the token, sessions of browsers that gave it, and nothing but looking.

Whatever page a browser has open may send requests to this machine. Those of other names (a name of theirs that they let
point here, "DNS rebinding") are refused by the ``Host`` header; those that its page sends without anybody seeing it are
refused by what the browser says of them, since making a report costs a machine that may be measuring; and a cookie of a
session is sent by pages of ours only.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from collections import OrderedDict
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from orchestrator.adapters.web.answers import Answers
from orchestrator.adapters.web.guesses import Guesses, TooSoonError

#: Characters; shorter ones are guessed. 16 random ones of base 64 are 96 bits.
SHORTEST_TOKEN: Final = 16
LOGIN: Final = "/login"
#: Browsers that are logged in at a time; the one that came first has to log in again.
_MOST_SESSIONS = 64
_LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})

#: What a browser is to allow: nothing but what comes from here, and no script or style in a page itself (CSP Level 3).
POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "connect-src 'self'",
        "img-src 'self' data:",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
_HEADERS: Final = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class Token:
    """The secret that whoever looks has to know, kept as its digest, and the sessions of browsers that gave it.

    Args:
        token: the secret.
        guesses: counts the wrong ones.
    """

    def __init__(self, token: str, guesses: Guesses) -> None:
        self._digest, self._guesses = _digest(token), guesses
        self._sessions: OrderedDict[bytes, None] = OrderedDict()

    def is_it(self, told: str, address: str) -> bool:
        """Whether it is the token; in a time that does not depend on where it differs.

        Args:
            told: what is said to be it.
            address: where that came from.

        Raises:
            TooSoonError: too many wrong ones came from there, so it is not looked at.
        """
        self._guesses.check(address)
        digest = _digest(told)
        right = hmac.compare_digest(digest, self._digest)
        if not right:
            self._guesses.wrong(address, digest)
        return right

    def begin_session(self) -> str:
        """What a browser is to show from now on: random, so that it tells nothing of the token."""
        session = secrets.token_urlsafe(32)
        self._sessions[_digest(session)] = None
        while len(self._sessions) > _MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return session

    def knows(self, session: str) -> bool:
        """Whether it began this session. Digests are looked up, so that a time tells nothing of those that it has."""
        return _digest(session) in self._sessions


@dataclass(frozen=True)
class Gate:
    """What it takes to be let in.

    Attributes:
        names: that the page answers to, beside loopback's; lower case.
        any_address: whether it answers to every address as well, since it listens on more than loopback.
        token: ``None`` where everybody on this machine may look.
        cookie: name of the session's cookie. Cookies know no ports, so it tells one server of a machine from another.
        encrypted: whether the page comes by TLS.
    """

    names: Collection[str] = field(default_factory=frozenset)
    any_address: bool = False
    token: Token | None = None
    cookie: str = "trialbed"
    encrypted: bool = False

    def answers_to(self, host: str) -> bool:
        """Whether a ``Host`` header names this page; the port is not looked at, since a tunnel has one of its own."""
        name, _, port = host.rpartition(":")
        if port and not port.isdecimal():  # as the end of an address in brackets is not; a port may be empty
            name = host
        name = name.lower().removesuffix(".")
        return name in _LOOPBACK_NAMES or name in self.names or (self.any_address and _is_address(name))

    def lets_in(self, request: Request) -> bool:
        """Whether a request carries the cookie of a session, or the token, as programs do.

        Raises:
            TooSoonError: its token is not looked at.
        """
        if self.token is None or self.token.knows(request.cookies.get(self.cookie, "")):
            return True
        scheme, _, told = request.headers.get("authorization", "").partition(" ")
        return scheme.lower() == "bearer" and self.token.is_it(told.strip(), address_of(request))


class Guarded:
    """An application behind a gate; every answer of it carries the headers that keep a browser from harm.

    Args:
        app: what is behind it.
        gate: what it takes.
        answers: says why somebody is not let in.
        public: paths that need no token: the form for it, and its style.
    """

    def __init__(self, app: ASGIApp, gate: Gate, answers: Answers, public: Collection[str]) -> None:
        self._app, self._gate, self._answers, self._public = app, gate, answers, frozenset(public)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See the ASGI specification (3.0)."""
        if scope["type"] != "http":
            return
        await (self._refusal(Request(scope)) or self._app)(scope, receive, _with_headers(send))

    def _refusal(self, request: Request) -> ASGIApp | None:
        """What a request is answered that is not let in."""
        path, method = request.scope["path"], request.method  # the path of request.url depends on the Host header
        if not self._gate.answers_to(request.headers.get("host", "")):
            words = "This page does not answer to that name. Use the address that trialbed serve printed."
            return self._answers.plain(HTTPStatus.MISDIRECTED_REQUEST, words)
        if _is_of_another_site(request):
            words = "The page of another site asked for this, and gets nothing from here."
            return self._answers.plain(HTTPStatus.FORBIDDEN, words)
        allowed = ("GET", "HEAD", "POST") if path == LOGIN and self._gate.token is not None else ("GET", "HEAD")
        if method not in allowed:
            words = "This page is for looking only: nothing can be changed from it."
            return self._answers.plain(HTTPStatus.METHOD_NOT_ALLOWED, words, {"allow": ", ".join(allowed)})
        return None if path in self._public else self._without_token(request)

    def _without_token(self, request: Request) -> ASGIApp | None:
        """What a request is answered that does not show the token, nor a session."""
        try:
            if self._gate.lets_in(request):
                return None
        except TooSoonError as error:
            words = f"Too many wrong tokens came from this address. Ask again in {error.wait_s} s."
            return self._answers.plain(HTTPStatus.TOO_MANY_REQUESTS, words, {"retry-after": str(error.wait_s)})
        if "text/html" in request.headers.get("accept", ""):
            wanted = (request.scope["raw_path"] + b"?" + request.scope["query_string"]).decode("ascii", "replace")
            return self._answers.elsewhere(f"{LOGIN}?to={quote(wanted.removesuffix('?'), safe='/')}")
        words = "Give the token, as the header Authorization: Bearer TOKEN."
        return self._answers.plain(HTTPStatus.UNAUTHORIZED, words, {"www-authenticate": "Bearer"})


def address_of(request: Request) -> str:
    """Where a request comes from: the other end of its connection, which through a proxy or tunnel is that one's."""
    return "" if request.client is None else request.client.host


def own_path(target: str) -> str:
    """A path of this page, whatever was asked for: never another site's address in the disguise of one."""
    own = target.startswith("/") and not target.startswith(("//", "/\\")) and target.isprintable()
    return target if own and not target.startswith(LOGIN) else "/"


def is_loopback(address: str) -> bool:
    """Whether only this machine reaches an address."""
    with suppress(ValueError):
        return ipaddress.ip_address(address).is_loopback
    return False


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()


def _is_of_another_site(request: Request) -> bool:
    """Whether a page of another site asks, as browsers tell (Fetch Metadata, W3C); its links may lead here."""
    site, mode, destination = (request.headers.get(f"sec-fetch-{name}", "") for name in ("site", "mode", "dest"))
    followed = (mode, destination, request.method) == ("navigate", "document", "GET")
    return site in {"cross-site", "same-site"} and not followed


def _is_address(name: str) -> bool:
    """Whether a host is an address, which no name server can let point elsewhere."""
    with suppress(ValueError):
        ipaddress.ip_address(name.removeprefix("[").removesuffix("]"))
        return True
    return False


def _with_headers(send: Send) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name for name, _ in message["headers"]}
            kept = [*message["headers"]]
            added = {**_HEADERS, "cache-control": "no-store"}
            kept += [(n.encode(), v.encode()) for n, v in added.items() if n.encode() not in there]
            message = {**message, "headers": kept}
        await send(message)

    return sent
