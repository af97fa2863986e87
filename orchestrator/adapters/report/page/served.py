"""Pages of a local server: the list of runs, reports with what is around them, and where a run in progress stands."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from typing import Any, Final

from markupsafe import Markup

from orchestrator import __version__
from orchestrator.adapters.report.document.parts import Document, Mark
from orchestrator.adapters.report.page import assets
from orchestrator.adapters.report.page.html import body, chart_json, environment
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import minute, tally_text
from orchestrator.adapters.report.status_text import facts, standing
from orchestrator.core.record.baseline import Baseline
from orchestrator.core.record.cell_identity import CellIdentity
from orchestrator.core.record.run_line import RunLine
from orchestrator.core.verdict.words import count
from orchestrator.engine.status import Status
from orchestrator.units import PERIODS

STYLE: Final = "style.css"
#: Runs in the list until all are asked for: what anybody looks through.
ROWS_SHOWN: Final = 100
_MARKS: Mapping[str, Mark] = {"done": "good", "running": "open", "interrupted": "doubt", "out of time": "doubt"}
_CELLS_SHOWN = 4
_TITLE_SHOWN = 200
#: Facts of a run in progress that its page shows in another way, or that say nothing there.
_TOLD_ELSEWHERE = frozenset({"rate", "began", "kept in", "do next"})


@dataclass(frozen=True)
class Offer:
    """A file that goes with a page.

    Attributes:
        words: what it is.
        path: where it is to be had; empty where it is not.
        why_not: the reason then.
    """

    words: str
    path: str = ""
    why_not: str = ""


@dataclass(frozen=True)
class RunRow:
    """A run in the list, as texts."""

    id: str
    title: str
    guest: str
    began: str
    trials: str
    state: str
    standing: str
    mark: Mark
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Listing:
    """The list of runs, or the part of it that was looked for.

    Attributes:
        rows: those that are shown, newest first.
        found: how many fit the words.
        kept: how many runs there are.
        words: that were looked for.
        problems: what could not be read.
        version: of what is told of all runs; news with another one means that the list is out of date.
        baselines: names of those that a run can be set against.
    """

    rows: Sequence[RunRow]
    found: int
    kept: int
    words: str
    problems: Sequence[str]
    version: str
    baselines: Sequence[str]


@dataclass(frozen=True)
class BaselineRow:
    """A baseline in their list, as texts.

    Attributes:
        began: when it was set.
        runs: id and title of each; no title where it is not there or cannot be read.
        changes: what is not as it was, in sentences.
        newest: id and title of the newest run that it can be held against; empty where there is none.
    """

    name: str
    note: str
    began: str
    runs: tuple[tuple[str, str], ...]
    changes: tuple[str, ...]
    newest: tuple[str, str]


@dataclass(frozen=True)
class CellRow:
    """A cell of a store, as texts.

    Attributes:
        size: of its shape in the newest run that has it.
        runs: how many have a trial of it that counts.
    """

    id: str
    size: str
    runs: str


@dataclass(frozen=True)
class InProgress:
    """A run that is not over, for the part of its page that follows it.

    Attributes:
        headline: what it is at, or how it ended.
        facts: what else is known of it, by name.
        trial: id of the trial in hand; empty where there is none.
        course: its throughput as last read, the oldest reading first, each with whether it was steady.
        per: period of the readings.
    """

    headline: str
    facts: tuple[tuple[str, str], ...]
    trial: str
    course: tuple[tuple[float, bool], ...]
    per: str


def run_row(line: RunLine) -> RunRow:
    """What the list tells of a run."""
    names = [cell.id for cell in sorted((cell.identity for cell in line.cells), key=_cell_order)]
    more = len(names) - _CELLS_SHOWN
    return RunRow(
        id=line.id,
        title=safe(line.title, _TITLE_SHOWN),
        guest=f"{line.guest} ({line.guest_kind})",
        began=minute(line.started_utc),
        trials=tally_text(line.tally),
        state=line.state,
        standing=line.standing.removeprefix(line.state).removeprefix(", "),
        mark=mark_of(line.state),
        cells=(*names[:_CELLS_SHOWN], *([f"{more} more"] if more > 0 else [])),
    )


def baseline_row(baseline: Baseline, changes: Sequence[str], lines: Mapping[str, RunLine]) -> BaselineRow:
    """What the list of baselines tells of one.

    Args:
        baseline: which.
        changes: what is not as it was when it was set.
        lines: all runs of the store that can be read, the oldest first.
    """
    titles = {name: safe(line.title, _TITLE_SHOWN) for name, line in lines.items()}
    newer = [name for name, line in lines.items() if line.state == "done" and name not in baseline.ids]
    return BaselineRow(
        name=baseline.name,
        note=baseline.note,
        began=minute(baseline.set_utc),
        runs=tuple((name, titles.get(name, "")) for name in baseline.ids),
        changes=tuple(changes),
        newest=(newer[-1], titles[newer[-1]]) if newer and not changes else ("", ""),
    )


def cells_of(lines: Sequence[RunLine]) -> list[CellRow]:
    """The cells that can be followed through these runs (the oldest first), by workload, threads and size."""
    newest = {cell.identity.id: cell.identity for line in lines for cell in line.cells if cell.logs}
    seen = Counter(name for line in lines for name in {cell.identity.id for cell in line.cells if cell.logs})
    return [
        CellRow(cell.id, count(cell.vcpus, "vCPU"), count(seen[cell.id], "run"))
        for cell in sorted(newest.values(), key=_cell_order)
    ]


def _cell_order(cell: CellIdentity) -> tuple[object, ...]:
    return (cell.workload, cell.threads, cell.vcpus, cell.memory or 0, cell.shape)


def mark_of(state: str) -> Mark:
    """How a run's state stands."""
    return _MARKS.get(state, "bad")


def fits(line: RunLine, words: str) -> bool:
    """Whether each word stands in what is known of a run: id, title, guest, cells, state; upper case or lower."""
    known = [line.id, line.title, line.guest, line.guest_kind, line.hypervisor, line.origin, line.standing]
    text = "\n".join([*known, *(cell.identity.id for cell in line.cells)]).casefold()
    return all(word in text for word in words.casefold().split())


def in_progress(status: Status, course: Sequence[tuple[float, bool]], per: str) -> InProgress:
    """What a page tells of a run that is not over, fit to be shown as it stands: a script sets it without a template.

    Args:
        status: where it stands.
        course: throughput of the trial in hand in operations a second, each with whether it was steady.
        per: period in which it is told.
    """
    told = tuple((name, str(value)) for name, value in facts(status, per) if name not in _TOLD_ELSEWHERE)
    shown = tuple((rate * PERIODS[per], steady) for rate, steady in course)
    trial = "" if status.trial is None else safe(status.trial.id)
    return InProgress(_headline(status), told, trial, shown, per)


def _headline(status: Status) -> str:
    """What the run is at, or how it ended."""
    if status.trial is None:
        return standing(status, heard=False)
    return f"Trial {status.trial.number} of {status.planned}: {safe(status.trial.stage) or 'about to begin'}"


@dataclass(frozen=True)
class Rendered:
    """A document as it stands in a page, with what its charts are drawn from; making it takes a while."""

    document: Document
    body: Markup
    charts: Markup


def rendered(document: Document) -> Rendered:
    """The document for a page."""
    return Rendered(document, body(document), chart_json(document))


class Served:
    """Makes the pages.

    Args:
        store: folder of the runs, as it was named.
    """

    def __init__(self, store: str) -> None:
        self._store = store

    @cached_property
    def assets(self) -> dict[str, tuple[bytes, str]]:
        """What pages are dressed with, and its media type, by a path that changes with it. Making it takes seconds."""
        texts = {
            STYLE: (f"{assets.stylesheet()}\n{_text('live.css')}", "text/css"),
            "library.js": (assets.library(), "text/javascript"),
            "page.js": (assets.script(), "text/javascript"),
            "live.js": (_text("live.js"), "text/javascript"),
        }
        return {f"{_digest(text)}/{name}": (text.encode(), kind) for name, (text, kind) in texts.items()}

    def asset(self, name: str) -> str:
        """Address of one of them."""
        return next(f"/assets/{path}" for path in self.assets if path.endswith(f"/{name}"))

    def runs(self, listing: Listing) -> str:
        """The list of runs."""
        return self._page("runs.html", listing=listing)

    def rows(self, listing: Listing) -> str:
        """The part of the list that changes."""
        return environment().get_template("rows.html").render(listing=listing)

    def run(
        self, run: str, report: Rendered, offers: Sequence[Offer], going_on: InProgress | None, version: str
    ) -> str:
        """The report of a run, and above it where it stands while it goes on.

        Args:
            run: its id.
            report: as far as the run has got.
            offers: files that go with it.
            going_on: ``None`` once it is over.
            version: of the report; news with another one means that it is out of date.
        """
        part = self.run_part(report, offers, version)
        return self._page("run.html", title=report.document.title, run=run, part=part, going_on=going_on)

    def run_part(self, report: Rendered, offers: Sequence[Offer], version: str) -> Markup:
        """The part of it that changes when a trial has ended."""
        values = {"body": report.body, "charts": report.charts, "offers": offers, "version": version}
        return Markup(environment().get_template("part.html").render(values))  # noqa: S704 - escaped by the environment

    def report(self, report: Rendered) -> str:
        """A comparison or a history."""
        return self._page("reported.html", title=report.document.title, part=self.run_part(report, (), ""))

    def baselines(self, rows: Sequence[BaselineRow], problems: Sequence[str]) -> str:
        """The list of baselines."""
        return self._page("baselines.html", rows=rows, problems=problems)

    def history_question(self, cells: str, problem: str, known: Sequence[CellRow]) -> str:
        """Asks which cells are to be followed."""
        return self._page("history.html", cells=cells, problem=problem, known=known)

    def login(self, target: str, refused: str) -> str:
        """Asks for the token."""
        return self._page("login.html", inside=False, target=target, refused=refused)

    def message(self, title: str, words: str, *, inside: bool) -> str:
        """Says what is the matter."""
        return self._page("message.html", inside=inside, title=title, said=words)

    def _page(self, template: str, *, inside: bool = True, **values: Any) -> str:
        around = {"inside": inside, "store": self._store, "program": __version__, "asset": self.asset}
        return environment().get_template(template).render(around | values)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _text(name: str) -> str:
    return files(__package__).joinpath(name).read_text(encoding="utf-8")
