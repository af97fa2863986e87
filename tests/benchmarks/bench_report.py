"""A report on 12 and on 100 trials of ten minutes each: how long it takes to make, its size, how soon it can be used.

    python tests/benchmarks/bench_report.py [--quick]

Making it is set against reading the same run with all its series, which no report can do without; opening it, in a
headless Chromium where there is one, against the same file with scripts off. It can be used when the charts of the
first screen are drawn and the main thread is idle. The program that draws is in the cache already, as on every report
but the first.
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "adapters"))
sys.path.insert(0, str(Path(__file__).parent.parent / "browser"))

from observed_runs import Extent, observed_run
from readiness import NOTE, interactive_ms

from orchestrator.adapters.report.page.html import report_page
from orchestrator.adapters.store.folder import FolderStore
from orchestrator.wiring.reporting import asked, report_of

EXTENTS = (Extent(shapes=("one", "two", "four"), threads=(1,), blocks=4), Extent())
CHROMIUM = os.environ.get("TRIALBED_CHROMIUM") or shutil.which("chromium")
MB = 10**6


def read(store: FolderStore, run: str) -> int:
    """Every record and every reading."""
    stored = store.find(run)
    return sum(len(store.load_trial(stored, trial.id).throughput) for trial in stored.trials)


def made(store: FolderStore, run: str) -> str:
    """The page."""
    return report_page(report_of(asked([run], str(store.root), "second")).document)


def median_s(action: Callable[[], object], rounds: int) -> float:
    times: list[float] = []
    for _ in range(rounds):
        began = time.perf_counter()
        action()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def opened_ms(pages: list[Path], rounds: int) -> list[tuple[float, float]]:
    """For each page: until it is loaded with scripts off, and until it can be used; medians."""
    from playwright.sync_api import sync_playwright

    found = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for page in pages:
            bare, used = [], []
            for _ in range(rounds):
                context = browser.new_context(java_script_enabled=False)
                began = time.perf_counter()
                context.new_page().goto(page.as_uri())
                bare.append((time.perf_counter() - began) * 1000)
                context.close()
                context = browser.new_context()
                context.add_init_script(NOTE)
                tab = context.new_page()
                tab.goto(page.as_uri())
                used.append(interactive_ms(tab))
                context.close()
            found.append((statistics.median(bare), statistics.median(used)))
        browser.close()
    return found


def main() -> None:
    rounds = 1 if "--quick" in sys.argv[1:] else 5
    with tempfile.TemporaryDirectory() as folder:
        store = FolderStore(Path(folder) / "results")
        pages = []
        for extent in EXTENTS:
            run, trials = observed_run(store.root, extent), len(extent.trials())
            pages.append(Path(folder) / f"{trials}.html")
            pages[-1].write_text(made(store, run), encoding="utf-8")
            floor_s, made_s = median_s(partial(read, store, run), rounds), median_s(partial(made, store, run), rounds)
            size = pages[-1].stat().st_size
            print(f"{trials:3} trials, read with all series        {floor_s * 1000:8.0f} ms   1.00")
            print(f"{trials:3} trials, reported as one page        {made_s * 1000:8.0f} ms   {made_s / floor_s:.2f}")
            print(f"{trials:3} trials, size of the page            {size / MB:8.2f} MB")
        if CHROMIUM is None:
            print("there is no Chromium here, so no page was opened")
            return
        for page, (bare, used) in zip(pages, opened_ms(pages, rounds), strict=True):
            print(f"{page.stem:>3} trials, opened with scripts off       {bare:8.0f} ms   1.00")
            print(f"{page.stem:>3} trials, opened until it can be used   {used:8.0f} ms   {used / bare:.2f}")


if __name__ == "__main__":
    main()
