"""A real browser, pages that are watched while they are open, and reports on stored runs."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from report_runs import Library

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Request

#: No sandbox of its own, since tests may run as root in a container; nothing that talks to anybody by itself.
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
#: Other tests may have the machine meanwhile.
WITHIN_MS = 120_000
#: https://www.w3.org/TR/CSP3/#violation-events: what the policy refused, in the words of the event.
LISTEN = """
window.refused = [];
document.addEventListener('securitypolicyviolation', (e) => {
  window.refused.push(e.violatedDirective + ' ' + e.blockedURI);
});
"""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker("browser")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, or the one that TRIALBED_CHROMIUM names."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: the extra [browser]")
    program = os.environ.get("TRIALBED_CHROMIUM") or shutil.which("chromium")
    if program is None:
        pytest.skip("there is no Chromium here: install the Debian package, or name one by TRIALBED_CHROMIUM")
    with api.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=program, args=FLAGS)
        yield opened
        opened.close()


@dataclass
class Visits:
    """Opens pages, and keeps what each said and asked for."""

    browser: Browser
    pages: list[Page] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    expected: list[str] = field(default_factory=list)
    """Parts of what a test provokes and a console says of it."""

    def open(self, where: Path | str, *, anchor: str = "", script: str = "", **options: Any) -> Page:
        """A page of its own in a fresh context.

        Args:
            where: a report's file, or an address of a server of the test's own.
            anchor: the part that is linked to.
            script: runs before anything of the page does.
            options: of the browser's context: colour scheme, viewport.
        """
        address = where.as_uri() if isinstance(where, Path) else where
        context = self.browser.new_context(**{"viewport": {"width": 1280, "height": 900}} | options)
        context.add_init_script(LISTEN + script)
        context.set_default_timeout(WITHIN_MS)
        page = context.new_page()
        self.pages.append(page)
        origin = "/".join(address.split("/")[:3])

        def asked(request: Request) -> None:
            own = request.url.split("#")[0] == address if isinstance(where, Path) else request.url.startswith(origin)
            if not own and not request.url.startswith("data:"):
                self.complaints.append(f"a request left the page: {request.url}")

        def spoke(message: ConsoleMessage) -> None:
            known = any(part in message.text for part in self.expected)
            if message.type in {"error", "warning"} and not known:
                self.complaints.append(f"console {message.type}: {message.text}")

        page.on("request", asked)
        page.on("console", spoke)
        page.on("pageerror", lambda error: self.complaints.append(f"page error: {error}"))
        page.goto(address + anchor)
        return page

    def close(self) -> None:
        """Close all; what the policy refused on a page is a complaint as well."""
        for page in self.pages:
            if not page.is_closed():
                self.complaints += [f"refused by the page's policy: {what}" for what in _refused(page)]
                page.context.close()


def _refused(page: Page) -> list[str]:
    """Nothing is known of a page without scripts."""
    from playwright.sync_api import Error

    try:
        found: list[str] = page.evaluate("window.refused ?? []")
    except Error:
        return []
    return found


@pytest.fixture
def visits(browser: Browser) -> Iterator[Visits]:
    """Pages that are watched; the test fails when one complained, or asked anybody else for anything."""
    visits = Visits(browser)
    yield visits
    visits.close()
    assert visits.complaints == []


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """Stored runs of all kinds, each made when it is first asked for, and reports on them."""
    return Library(tmp_path_factory.mktemp("library"))


@pytest.fixture(scope="session")
def axe() -> Callable[[Page], list[str]]:
    """What axe-core finds on a page that is serious or critical, a line each.

    Source of the rules: https://github.com/dequelabs/axe-core, which tests the W3C's WCAG 2.1 A and AA among others.
    """
    folder = os.environ.get("TRIALBED_AXE")
    if folder is None:
        pytest.skip(
            "TRIALBED_AXE does not say where axe-core is: npm install axe-core@4, and name the package's folder"
        )
    program = (Path(folder) / "axe.min.js").read_text(encoding="utf-8")

    def faults(page: Page) -> list[str]:
        page.evaluate(program)
        found = page.evaluate("axe.run(document)")
        return [
            f"{one['id']} ({one['impact']}): {node['target']} {node['failureSummary']}"
            for one in found["violations"]
            if one["impact"] in {"serious", "critical"}
            for node in one["nodes"]
        ]

    return faults
