"""What the page shows, as this adapter needs it: whole pages and files, made by whoever knows runs and reports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Protocol

from orchestrator.errors import TrialbedError
from orchestrator.units import Bytes


class NotThereError(TrialbedError):
    """There is nothing of the name that was asked for; the message says what there is."""


class NotNowError(TrialbedError):
    """It cannot be had as things stand; the message says why, and what to do."""


@dataclass(frozen=True)
class Asset:
    """What pages are dressed with; the same for everybody, and it tells nothing of any run."""

    content: bytes
    media_type: str


@dataclass(frozen=True)
class Download:
    """A file to be kept.

    Attributes:
        name: what it is called, in ASCII.
        content: read from its beginning, and closed by whoever sends it.
    """

    name: str
    media_type: str
    content: BinaryIO
    size_bytes: Bytes


@dataclass(frozen=True)
class News:
    """How one thing stands now: the latest of a name makes all earlier ones of that name worthless.

    Attributes:
        name: of the event that a page is sent.
        data: JSON.
    """

    name: str
    data: str


class Watcher(Protocol):
    """Looks at one thing again and again, for everybody who watches it; from one thread at a time."""

    @property
    def over(self) -> bool:
        """Whether nothing more happens."""

    def look(self) -> Sequence[News]:
        """What has changed since the last look; on the first one, everything.

        Raises:
            TrialbedError: it cannot be looked at any more.
        """


class Library(Protocol):
    """Pages and files, each as asked for; methods are called from several threads at once.

    All raise :class:`NotThereError` for a run that the store does not have, :class:`NotNowError` and any other
    :class:`~orchestrator.errors.TrialbedError` for what cannot be shown.
    """

    def runs_page(self, words: str, *, every: bool) -> str:
        """Runs that fit the words, newest first: all of them, or as many as anybody looks through."""

    def runs_rows(self, words: str, *, every: bool) -> str:
        """The same without what is around: the rows of the table."""

    def run_page(self, run: str) -> str:
        """The report of one run, and where it stands while it goes on."""

    def run_body(self, run: str) -> str:
        """The report without what is around."""

    def comparison_page(self, base: str, new: str) -> str:
        """One run set against another."""

    def ticked_page(self, runs: Sequence[str], baseline: str) -> str:
        """Each of these runs set against a baseline; without one, the newer of two against the older, or all in a row.

        Args:
            runs: in any order.
            baseline: its name; empty for none.
        """

    def baselines_page(self) -> str:
        """Which baselines there are, and what has become of their runs."""

    def history_page(self, cells: str) -> str:
        """Cells through all runs, named with the wildcards of a shell; the question where it is empty."""

    def report(self, run: str) -> Download:
        """The report as one file that opens from disk."""

    def workbook(self, run: str) -> Download:
        """Its tables for a spreadsheet."""

    def bundle(self, run: str) -> Download:
        """The run as an archive for others."""

    def login_page(self, target: str, refused: str) -> str:
        """The form that asks for the token.

        Args:
            target: path of the page to go to afterwards.
            refused: why the last one did not do; empty where none was given.
        """

    def message_page(self, title: str, words: str, *, inside: bool) -> str:
        """A page that says what is the matter.

        Args:
            title: in a few words.
            words: what to do.
            inside: whether whoever reads it may see the rest.
        """

    def assets(self) -> Mapping[str, Asset]:
        """What pages are dressed with, by the path below ``/assets/``, which is another one for another content."""

    def public_assets(self) -> frozenset[str]:
        """Which of them the form for the token needs."""

    def watch_runs(self) -> Watcher:
        """Looks at which runs there are, and how far those that go on have got."""

    def watch_run(self, run: str) -> Watcher:
        """Looks at one run."""
