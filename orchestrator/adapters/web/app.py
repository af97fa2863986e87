"""The page: which path shows what."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from http import HTTPStatus
from typing import Final
from urllib.parse import parse_qs

from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from orchestrator.adapters.web.access import LOGIN, Gate, Guarded, address_of, own_path
from orchestrator.adapters.web.answers import Answers
from orchestrator.adapters.web.guesses import TooSoonError
from orchestrator.adapters.web.library import Library, NotNowError, NotThereError, Watcher
from orchestrator.adapters.web.watching import Watching
from orchestrator.adapters.web.work import EndingError, Work
from orchestrator.errors import InputError, TrialbedError
from orchestrator.units import Seconds

#: A form with a token is smaller.
_MOST_FORM_BYTES = 8 * 1024
FORM_WITHIN_S: Final[Seconds] = 10
#: So often a stream without news says that it is still there; the page's script waits for three of them.
_STILL_THERE_S: Final[Seconds] = 10

_WRONG: Final = (
    "That is not the token. It is what trialbed serve was started with: TRIALBED_WEB_TOKEN, or the file of "
    "--token-file."
)
_UNSEEN: Final = "Too many wrong tokens came from your address, so this one was not looked at. Try again in"
#: What a failure is answered, the most special kind first.
_TROUBLE: Final[Mapping[type[TrialbedError], tuple[HTTPStatus, str]]] = {
    NotThereError: (HTTPStatus.NOT_FOUND, "This store has nothing of that name"),
    NotNowError: (HTTPStatus.CONFLICT, "This is not to be had now"),
    InputError: (HTTPStatus.BAD_REQUEST, "This cannot be shown"),
    TrialbedError: (HTTPStatus.CONFLICT, "This cannot be shown"),
}

Endpoint = Callable[[Request], Awaitable[Response]]


class Site:
    """The application, by the ASGI specification (3.0).

    Args:
        library: what is shown.
        work: does whatever the library has to.
        watching: what somebody watches.
        gate: who may look.
        defect: is told of what went wrong through no fault of whoever asked.
    """

    def __init__(
        self, library: Library, work: Work, watching: Watching, gate: Gate, defect: Callable[[Exception], None]
    ) -> None:
        self._library, self._work, self._watching = library, work, watching
        self._gate, self._defect = gate, defect
        self._answers = Answers(library, work)
        self._assets = library.assets()
        routes = Starlette(routes=self._routes(), exception_handlers={HTTPException: self._nothing_there})
        routes.router.redirect_slashes = False  # it would lead to plain HTTP where a proxy has TLS
        public = [LOGIN, *(f"/assets/{name}" for name in library.public_assets())]
        self._app: ASGIApp = Guarded(routes, gate, self._answers, public)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request. What goes wrong once an answer has begun breaks the connection, and is told here."""
        try:
            await self._app(scope, receive, send)
        except ClientDisconnect:
            return
        except Exception as error:  # noqa: BLE001 - a trace of ours is for nobody's browser
            self._defect(error)

    def _routes(self) -> list[Route]:
        shown: dict[str, Endpoint] = {
            "/": self._runs,
            "/rows": self._rows,
            "/events": self._runs_events,
            "/compare": self._compare,
            "/baselines": self._baselines,
            "/history": self._history,
            "/runs/{run}": self._run,
            "/runs/{run}/body": self._run_body,
            "/runs/{run}/events": self._run_events,
            "/runs/{run}/report.html": self._report,
            "/runs/{run}/tables.xlsx": self._workbook,
            "/runs/{run}/bundle.zip": self._bundle,
            "/assets/{name:path}": self._asset,
        }
        routes = [Route(path, self._caught(endpoint)) for path, endpoint in shown.items()]
        if self._gate.token is not None:
            routes.append(Route(LOGIN, self._caught(self._login), methods=["GET", "POST"]))
        return routes

    async def _runs(self, request: Request) -> Response:
        words, every = request.query_params.get("q", ""), "all" in request.query_params
        return await self._answers.page(lambda: self._library.runs_page(words, every=every))

    async def _rows(self, request: Request) -> Response:
        words, every = request.query_params.get("q", ""), "all" in request.query_params
        return await self._answers.page(lambda: self._library.runs_rows(words, every=every))

    async def _run(self, request: Request) -> Response:
        return await self._answers.page(lambda: self._library.run_page(request.path_params["run"]))

    async def _run_body(self, request: Request) -> Response:
        return await self._answers.page(lambda: self._library.run_body(request.path_params["run"]))

    async def _compare(self, request: Request) -> Response:
        """Runs that were ticked, in any order, and perhaps a baseline; or a base and a new run, as links name them."""
        asked = request.query_params
        base, new, against = (asked.get(name, "") for name in ("base", "new", "against"))
        if base and new:
            return await self._answers.page(lambda: self._library.comparison_page(base, new))
        runs = asked.getlist("run")
        return await self._answers.page(lambda: self._library.ticked_page(runs, against))

    async def _baselines(self, _request: Request) -> Response:
        return await self._answers.page(self._library.baselines_page)

    async def _history(self, request: Request) -> Response:
        cells = request.query_params.get("cells", "")
        return await self._answers.page(lambda: self._library.history_page(cells))

    async def _report(self, request: Request) -> Response:
        return await self._answers.download(lambda: self._library.report(request.path_params["run"]))

    async def _workbook(self, request: Request) -> Response:
        return await self._answers.download(lambda: self._library.workbook(request.path_params["run"]))

    async def _bundle(self, request: Request) -> Response:
        return await self._answers.download(lambda: self._library.bundle(request.path_params["run"]))

    async def _asset(self, request: Request) -> Response:
        """Looked up by its whole name, so that no path leads to a file."""
        asset = self._assets.get(request.path_params["name"])
        if asset is None:
            raise HTTPException(HTTPStatus.NOT_FOUND)
        return self._answers.asset(asset)

    async def _runs_events(self, _request: Request) -> Response:
        return self._stream("", self._library.watch_runs)

    async def _run_events(self, request: Request) -> Response:
        run = request.path_params["run"]
        await self._work.done(lambda: self._library.watch_run(run))  # a stream that has begun cannot say what is wrong
        return self._stream(f"run {run}", lambda: self._library.watch_run(run))

    def _stream(self, name: str, make: Callable[[], Watcher]) -> Response:
        """News as server-sent events (WHATWG HTML, 9.2)."""
        if self._watching.full:
            words = "Too many pages are watched at a time; this one is answered once another is closed."
            return self._answers.plain(HTTPStatus.SERVICE_UNAVAILABLE, words)

        async def events() -> AsyncIterator[ServerSentEvent]:
            async with contextlib.aclosing(self._watching.news(name, make)) as news:
                async for one in news:
                    yield ServerSentEvent(one.data, event=one.name)

        return EventSourceResponse(
            events(),
            sep="\n",
            ping=_STILL_THERE_S,
            ping_message_factory=lambda: ServerSentEvent("", event="still-there"),
        )

    async def _login(self, request: Request) -> Response:
        target = own_path(request.query_params.get("to", "/"))
        token = self._gate.token
        if request.method != "POST" or token is None:
            return await self._answers.page(lambda: self._library.login_page(target, ""))
        told = await _form_field(request, "token")
        try:
            right = token.is_it(told.strip(), address_of(request))
        except TooSoonError as error:
            words = f"{_UNSEEN} {error.wait_s} s."
            page = self._library.login_page(target, words)
            return HTMLResponse(page, HTTPStatus.TOO_MANY_REQUESTS, {"retry-after": str(error.wait_s)})
        if not right:
            return HTMLResponse(self._library.login_page(target, _WRONG), HTTPStatus.FORBIDDEN)
        response = self._answers.elsewhere(target)
        response.set_cookie(
            self._gate.cookie,
            token.begin_session(),
            httponly=True,
            samesite="strict",
            secure=self._gate.encrypted,
        )
        return response

    def _caught(self, endpoint: Endpoint) -> Endpoint:
        """The endpoint, whose failures become pages in words."""

        async def answered(request: Request) -> Response:
            try:
                return await endpoint(request)
            except TrialbedError as error:
                status, title = next(said for kind, said in _TROUBLE.items() if isinstance(error, kind))
                return await self._answers.trouble(status, title, str(error))
            except EndingError:
                words = "The server of this page has just been ended, and what was asked for is left undone."
                return self._answers.plain(HTTPStatus.SERVICE_UNAVAILABLE, words)
            except (HTTPException, ClientDisconnect):
                raise
            except Exception as error:  # noqa: BLE001 - no trace of ours is for a browser
                self._defect(error)
                words = "This is a defect in trialbed itself. Where it serves this page it says more."
                return await self._answers.trouble(HTTPStatus.INTERNAL_SERVER_ERROR, "Something went wrong", words)

        return answered

    async def _nothing_there(self, _request: Request, error: Exception) -> Response:
        status = HTTPStatus(error.status_code if isinstance(error, HTTPException) else HTTPStatus.NOT_FOUND)
        words = "There is no page at this address. The list of runs has everything that there is."
        return await self._answers.trouble(status, "Nothing here", words)


async def _form_field(request: Request, name: str) -> str:
    """A field of a form (``application/x-www-form-urlencoded``); empty where it is not there, or too long in coming."""
    body = b""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(FORM_WITHIN_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > _MOST_FORM_BYTES:
                    return ""
    return parse_qs(body.decode("utf-8", "replace")).get(name, [""])[0]
