"""Answers: pages, files, and words where something is not to be had."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from http import HTTPStatus
from typing import BinaryIO

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse

from orchestrator.adapters.web.library import Asset, Download, Library

_CHUNK_BYTES = 256 * 1024
#: Its address changes with its content, so it may be kept for a year; by the browser alone, since others share caches.
_KEPT = "private, max-age=31536000, immutable"


class Answers:
    """Makes answers; whatever the library does runs in a thread, so that nobody waits for somebody else's report.

    Args:
        library: what is shown.
    """

    def __init__(self, library: Library) -> None:
        self._library = library

    async def page(self, make: Callable[[], str]) -> Response:
        """A page."""
        return HTMLResponse(await run_in_threadpool(make))

    async def download(self, make: Callable[[], Download]) -> Response:
        """A file to be kept."""
        made = await run_in_threadpool(make)
        headers = {
            "content-disposition": f'attachment; filename="{made.name}"',
            "content-length": str(made.size_bytes),
        }
        return StreamingResponse(_read(made.content), headers=headers, media_type=made.media_type)

    def asset(self, asset: Asset) -> Response:
        """What pages are dressed with."""
        return Response(asset.content, media_type=asset.media_type, headers={"cache-control": _KEPT})

    async def trouble(self, status: HTTPStatus, title: str, words: str) -> Response:
        """A page that says what is the matter."""
        page = await run_in_threadpool(lambda: self._library.message_page(title, words, inside=True))
        return HTMLResponse(page, status)

    def plain(self, status: HTTPStatus, words: str, headers: Mapping[str, str] | None = None) -> Response:
        """Words for whoever is not let in, or asks for nothing that could be a page."""
        return PlainTextResponse(f"{words}\n", status, headers)

    def elsewhere(self, path: str) -> Response:
        """What was asked for is to be had at another path, or after something was done there."""
        return RedirectResponse(path, HTTPStatus.SEE_OTHER)


async def _read(file: BinaryIO) -> AsyncIterator[bytes]:
    with file:
        while chunk := await run_in_threadpool(file.read, _CHUNK_BYTES):
            yield chunk
