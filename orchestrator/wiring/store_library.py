"""The local page over a store. What it shows is read from the store; no run in the store is ever changed."""

from __future__ import annotations

import io
import os
import re
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar
from urllib.parse import quote

from orchestrator.adapters.report.page.served import (
    ROWS_SHOWN,
    STYLE,
    Listing,
    Offer,
    Rendered,
    Served,
    baseline_row,
    cells_of,
    fits,
    rendered,
    run_row,
)
from orchestrator.adapters.store import finding
from orchestrator.adapters.store.atomic import explained
from orchestrator.adapters.store.json_file import load
from orchestrator.adapters.web.library import Asset, Download, NotNowError, NotThereError
from orchestrator.core.record.journal import EARLY_ENDS
from orchestrator.core.record.run import RunRecord
from orchestrator.errors import StoreError
from orchestrator.wiring.guarding import baseline_views, baselines_of
from orchestrator.wiring.run_watchers import RunsWatcher, RunWatcher, states_version
from orchestrator.wiring.views import beside, folder_store

if TYPE_CHECKING:
    from orchestrator.adapters.report.document.parts import Document
    from orchestrator.adapters.web.library import Watcher
    from orchestrator.engine.courses import TrialCourse
    from orchestrator.engine.status import Status

T = TypeVar("T")

#: Runs of one comparison: what a page has room for.
_MOST_COMPARED: Final = 20

#: Documents that are kept as they were made; each is a few megabytes at most.
_DOCUMENTS_KEPT: Final = 8
_ODD_NAME: Final = "no address can be made of this folder's name, so the run is not listed; rename the folder"
_ENDED: Final = frozenset({"done", *EARLY_ENDS})


class OneAtATime:
    """What takes long is made by one thread at a time, since this machine may be measuring, and kept.

    Whoever asks for what is there already does not wait for what is being made.

    Args:
        most: how many things are kept; the one that was not asked for longest goes first.
    """

    def __init__(self, most: int) -> None:
        self._most, self._alone, self._shelf = most, threading.RLock(), threading.Lock()
        self._made: OrderedDict[Hashable, tuple[str, Any]] = OrderedDict()

    def kept(self, name: Hashable, version: str, make: Callable[[], T]) -> T:
        """What was made under a name; made now where nothing was, or of another version."""
        known = self._known(name, version)
        if known is None:
            with self._alone:
                known = self._known(name, version) or self._keep(name, version, make())
        made: T = known[1]
        return made

    def made(self, make: Callable[[], T]) -> T:
        """What is made now, and not kept."""
        with self._alone:
            return make()

    def _known(self, name: Hashable, version: str) -> tuple[str, Any] | None:
        with self._shelf:
            known = self._made.get(name)
            if known is None or known[0] != version:
                return None
            self._made.move_to_end(name)
            return known

    def _keep(self, name: Hashable, version: str, made: object) -> tuple[str, Any]:
        with self._shelf:
            self._made[name] = (version, made)
            self._made.move_to_end(name)
            while len(self._made) > self._most:
                self._made.popitem(last=False)
            return self._made[name]


class StoreLibrary:
    """:class:`~orchestrator.adapters.web.library.Library` of one store.

    Args:
        store: the results folder.
        per: period of the rates.
        store_words: what a command has to be given to find the store, from a blank on.
    """

    def __init__(self, store: str, per: str, store_words: str) -> None:
        self._store, self._per, self._store_words = store, per, store_words
        self._pages = Served(store)
        self._slow = OneAtATime(_DOCUMENTS_KEPT)
        self._courses: dict[str, dict[tuple[str, str], TrialCourse]] = {}

    def runs_page(self, words: str, *, every: bool) -> str:
        """See :class:`~orchestrator.adapters.web.library.Library`, as for all that follow."""
        return self._pages.runs(self._listed(words, every=every))

    def runs_rows(self, words: str, *, every: bool) -> str:
        """The rows of the same."""
        return self._pages.rows(self._listed(words, every=every))

    def run_page(self, run: str) -> str:
        """A run, with what it is at if it is at work."""
        status, going_on, version = self._watcher(run).where()
        report = self._report(run, version, over=status.over)
        return self._pages.run(run, report, self._offers(run, status), None if status.over else going_on, version)

    def run_body(self, run: str) -> str:
        """Its report."""
        status, _, version = self._watcher(run).where()
        return self._pages.run_part(self._report(run, version, over=status.over), self._offers(run, status), version)

    def comparison_page(self, base: str, new: str) -> str:
        """Two runs."""
        return self._comparison("", [base, new])

    def ticked_page(self, runs: Sequence[str], baseline: str) -> str:
        """Some runs, and perhaps a baseline."""
        if len(runs) < (1 if baseline else 2):
            also = ", or one and choose a baseline" if baselines_of(self._store).names() else ""
            raise NotNowError(f"A comparison is of two runs: go to the list of runs and tick two{also}.")
        if len(runs) > _MOST_COMPARED:
            raise NotNowError(f"{len(runs)} runs are ticked, and {_MOST_COMPARED} go on a page: clear some ticks.")
        return self._comparison(baseline, sorted(runs, key=self._age))

    def baselines_page(self) -> str:
        """Names, and their runs."""
        views, problems = baseline_views(self._store)
        lines = {line.id: line for line in folder_store(self._store).lines()}
        rows = [baseline_row(view.baseline, view.changes, lines) for view in views]
        return self._pages.baselines(rows, problems)

    def history_page(self, cells: str) -> str:
        """Cells through all runs."""
        folder, asked, problem = folder_store(self._store), cells.strip(), ""
        lines = folder.lines()
        if asked:
            version = _digest([*(line.model_dump_json() for line in lines), *folder.problems()])
            try:
                report = self._slow.kept(("history", asked), version, lambda: rendered(self._history(asked)))
                return self._pages.report(report)
            except StoreError as error:
                problem = str(error)
        return self._pages.history_question(cells, problem, cells_of(lines))

    def report(self, run: str) -> Download:
        """The page for keeping."""
        from orchestrator.adapters.report.page.html import report_page

        return _download(f"{run}.html", "text/html; charset=utf-8", report_page(self._document(run)).encode())

    def workbook(self, run: str) -> Download:
        """Tables."""
        from orchestrator.adapters.report.export.workbook import workbook

        kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
        return _download(f"{run}.xlsx", kind, workbook(self._document(run)))

    def bundle(self, run: str) -> Download:
        """The archive. Its file has no name any more when it is sent, so that nothing can be left behind."""
        from orchestrator.wiring.packing import pack_run

        self._known(run)
        with (
            explained("write", Path(tempfile.gettempdir())),
            tempfile.TemporaryDirectory(prefix=scratch_prefix()) as scratch,
        ):
            archive = Path(scratch) / "bundle.zip"
            folder = beside(Path(self._store), run)
            self._slow.made(lambda: pack_run(folder, self._store, archive, anonymise=False, replacing=False))
            file = archive.open("rb")
        return Download(_file_name(f"{run}.zip"), "application/zip", file, os.fstat(file.fileno()).st_size)

    def login_page(self, target: str, refused: str) -> str:
        """The form."""
        return self._pages.login(target, refused)

    def message_page(self, title: str, words: str, *, inside: bool) -> str:
        """Words."""
        return self._pages.message(title, words, inside=inside)

    def assets(self) -> Mapping[str, Asset]:
        """Style and scripts."""
        return {path: Asset(content, kind) for path, (content, kind) in self._pages.assets.items()}

    def public_assets(self) -> frozenset[str]:
        """The style."""
        return frozenset(path for path in self._pages.assets if path.endswith(f"/{STYLE}"))

    def watch_runs(self) -> Watcher:
        """For the list."""
        return RunsWatcher(self._store)

    def watch_run(self, run: str) -> Watcher:
        """For a run's page."""
        return self._watcher(run)

    def _known(self, run: str) -> None:
        """Refuse what is not the name of a run's folder in this store: no path leads out of it, nor ``last``."""
        if run not in {path.name for path in finding.folders(Path(self._store)).runs}:
            raise NotThereError(f"The store {self._store} has no run {run!r}. The list has all that there are.")

    def _age(self, run: str) -> tuple[object, ...]:
        self._known(run)
        folder = Path(self._store) / run
        return finding.age(load(RunRecord, folder / "run.json"), folder)

    def _comparison(self, baseline: str, runs: Sequence[str]) -> str:
        """Runs against a baseline, the second of two against the first, or more of them one after the other."""
        found = baselines_of(self._store).find(baseline) if baseline else None
        if baseline and found is None:
            raise NotThereError(f"The store {self._store} has no baseline {baseline!r}. Their list has all of them.")
        if found is not None and (own := [run for run in runs if run in found.ids]):
            raise NotNowError(f"Run {own[0]} is one of baseline {baseline} itself: tick another one.")
        version = [self._watcher(run).where()[2] for run in runs]
        if found is not None:  # whether its runs are there and as they were is seen when the report is made anew
            there = {path.name for path in finding.folders(Path(self._store)).runs}
            version += [found.model_dump_json(), *(self._watcher(run).where()[2] for run in found.ids if run in there)]
        given = [*([baseline] if baseline else []), *(beside(Path(self._store), run) for run in runs)]

        def make() -> Rendered:
            from orchestrator.wiring.reporting import asked, report_of

            return rendered(report_of(asked(given, self._store, self._per)).document)

        return self._pages.report(self._slow.kept(("comparison", baseline, *runs), " ".join(version), make))

    def _watcher(self, run: str) -> RunWatcher:
        self._known(run)
        return RunWatcher(Path(self._store), run, self._per, self._store_words)

    def _listed(self, words: str, *, every: bool) -> Listing:
        folder = folder_store(self._store)
        lines = folder.lines()
        version = states_version((line.id, line.state) for line in lines)
        named = [line for line in lines if line.id.isprintable()]
        odd = [f"{line.id}: {_ODD_NAME}" for line in lines if not line.id.isprintable()]
        found = [line for line in reversed(named) if fits(line, words)]
        problems = [*folder.problems(), *odd]
        baselines: list[str] = []
        try:
            baselines = baselines_of(self._store).names()
        except StoreError as error:
            problems.append(str(error))
        return Listing(
            rows=[run_row(line) for line in (found if every else found[:ROWS_SHOWN])],
            found=len(found),
            kept=len(named),
            words=words.strip(),
            problems=problems,
            version=version,
            baselines=baselines,
        )

    def _document(self, run: str) -> Document:
        status, _, version = self._watcher(run).where()
        return self._report(run, version, over=status.over).document

    def _report(self, run: str, version: str, *, over: bool) -> Rendered:
        """The report of a run. While it goes on, the series of a trial that has ended are read once and kept."""

        def make() -> Rendered:
            from orchestrator.adapters.report.content.run import run_document
            from orchestrator.wiring.reporting import run_source

            known = self._courses.pop(run, {})
            source = run_source(beside(Path(self._store), run), self._store, self._per, known=known)
            if not over:
                self._courses = {run: known}  # of the run that is looked at; a store has one or two that go on
            return rendered(run_document(source, self._per))

        return self._slow.kept(("run", run), version, make)

    def _history(self, cells: str) -> Document:
        from orchestrator.adapters.report.content.history import history_document
        from orchestrator.wiring.history import cell_histories
        from orchestrator.wiring.reporting import run_source

        found, problems = cell_histories(cells, self._store, self._per)
        runs = list(dict.fromkeys(point.run for history in found for point in history.points))
        given = [beside(Path(self._store), run) for run in sorted(runs)]
        sources = [run_source(run, self._store, self._per, series=False) for run in given]
        return history_document(found, sources, problems, self._per)

    def _offers(self, run: str, status: Status) -> list[Offer]:
        """Files that go with a run."""
        path = f"/runs/{quote(run, safe='')}"
        bundle = "the run as a bundle, names of hosts and guests as they are (zip)"
        offers = [Offer("this report as one page (html)", f"{path}/report.html")]
        offers.append(Offer("its tables (xlsx)", f"{path}/tables.xlsx"))
        if status.state in _ENDED:
            return [*offers, Offer(bundle, f"{path}/bundle.zip")]
        going_on = f"after trialbed resume {run}{self._store_words}"
        later = "once the run has ended" if status.state == "running" else going_on
        return [*offers, Offer(bundle, why_not=later)]


def _digest(texts: Iterable[str]) -> str:
    made = blake2b(digest_size=16)
    for text in texts:
        made.update(text.encode("utf-8", "surrogatepass") + b"\n")
    return made.hexdigest()


def scratch_prefix() -> str:
    """How the names of this process's scratch folders begin."""
    return f"trialbed-serve-{os.getpid()}-"


def _download(name: str, kind: str, content: bytes) -> Download:
    return Download(_file_name(name), kind, io.BytesIO(content), len(content))


def _file_name(name: str) -> str:
    """Of a download: what could end or split a header, or lead into another folder, is replaced."""
    return re.sub(r"[^A-Za-z0-9._-]", "_", name)
