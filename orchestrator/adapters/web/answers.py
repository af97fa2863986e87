"""Answers: pages, files, and words where something is not to be had."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from http import HTTPStatus
from typing import BinaryIO

from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse

from orchestrator.adapters.web.library import Asset, Download, Library
from orchestrator.adapters.web.work import Work

_CHUNK_BYTES = 256 * 1024
#: Its address changes with its content, so it may be kept for a year; by the browser alone, since others share caches.
_KEPT = "private, max-age=31536000, immutable"


class Answers:
    """Makes answers.

    Args:
        library: what is shown.
        work: does whatever the library has to.
    """

    def __init__(self, library: Library, work: Work) -> None:
        self._library, self._work = library, work

    async def page(self, make: Callable[[], str]) -> Response:
        """A page."""
        return HTMLResponse(await self._work.done(make))

    async def download(self, make: Callable[[], Download]) -> Response:
        """A file to be kept."""
        made = await self._work.done(make)
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
        page = await self._work.done(lambda: self._library.message_page(title, words, inside=True))
        return HTMLResponse(page, status)

    def plain(self, status: HTTPStatus, words: str, headers: Mapping[str, str] | None = None) -> Response:
        """Words for whoever is not let in, or asks for nothing that could be a page."""
        return PlainTextResponse(f"{words}\n", status, headers)

    def elsewhere(self, path: str) -> Response:
        """What was asked for is to be had at another path, or after something was done there."""
        return RedirectResponse(path, HTTPStatus.SEE_OTHER)


async def _read(file: BinaryIO) -> AsyncIterator[bytes]:
    with file:
        while chunk := await asyncio.to_thread(file.read, _CHUNK_BYTES):
            yield chunk
