"""What the gallery shows of three reports: a run, two runs set against each other, and one cell through many runs."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from playwright.sync_api import FloatRect, Page
    from report_runs import Library

FOLDER = Path(__file__).parents[1] / "gallery"
#: Wide enough for headings in the margin, narrow enough to be read where a page shows it smaller.
VIEWPORT = {"width": 1120, "height": 900}
MARGIN_PX = 24
#: What differs each time that the runs are made.
_RUN = re.compile(r"\b\d{8}T\d{6}Z(-[\w-]+)?")
_DATE = re.compile(r"\b\d{4}-\d\d-\d\d \d\d:\d\d\b")
_BOX = """(one) => {
  const box = one.getBoundingClientRect();
  return [box.left + scrollX, box.top + scrollY, box.right + scrollX, box.bottom + scrollY];
}"""

_REMOVE = "(all) => all.forEach((one) => one.remove())"


@dataclass(frozen=True)
class Picture:
    """One picture.

    Attributes:
        name: of its file, and of the text beside it.
        runs: that the report is about.
        parts: of the page that are pictured, as CSS selectors.
        opened: a folded part that is opened first.
        scheme: of colours.
    """

    name: str
    runs: Callable[[Library], tuple[str, ...]]
    parts: tuple[str, ...]
    opened: str = ""
    scheme: Literal["light", "dark"] = "light"

    def context(self) -> dict[str, Any]:
        """Options of the browser's context."""
        return {"viewport": VIEWPORT, "color_scheme": self.scheme, "device_scale_factor": 1.5}

    def ready(self, page: Page) -> None:
        """Open what is to be open, and wait until it is drawn."""
        if self.opened:
            page.eval_on_selector(self.opened, "(one) => { one.open = true; one.scrollIntoView(); }")
        page.locator(self.parts[-1]).first.scroll_into_view_if_needed()
        page.locator(f"{self.parts[-1]} svg.marks").first.wait_for()

    def clip(self, page: Page) -> FloatRect:
        """What is pictured: the box around the first of each of its parts."""
        boxes = [page.eval_on_selector(part, _BOX) for part in self.parts]
        left, top = (max(0, min(box[side] for box in boxes) - MARGIN_PX) for side in (0, 1))
        right, bottom = (max(box[side] for box in boxes) + MARGIN_PX for side in (2, 3))
        return {"x": left, "y": top, "width": min(right, VIEWPORT["width"]) - left, "height": bottom - top}

    def text(self, page: Page) -> str:
        """All that is to be read in it but for figures at axes, whose number depends on fonts, and names of runs.

        Those figures are taken away, so the picture is to be taken before.
        """
        for part in self.parts:
            page.eval_on_selector_all(f"{part} .role-axis-label", _REMOVE)
        lines = [line.strip() for part in self.parts for line in page.locator(part).first.inner_text().splitlines()]
        return _DATE.sub("DATE", _RUN.sub("RUN", "\n".join(line for line in lines if line))) + "\n"


PICTURES = (
    Picture("run", lambda library: (library.night,), (".opening", "#throughput .beside")),
    Picture("trial", lambda library: (library.night,), ("#chart-trial-2",), opened="#trial-2", scheme="dark"),
    Picture("before-after", lambda library: (library.night, library.slower), (".opening", "#changes .beside")),
    Picture("history", lambda library: library.nights, (".opening", "figure.chart")),
)
