"""What a reader finds on a page: its charts as they are drawn, its axes, its tables, its colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import Page

#: Marks of a drawn chart that say what they are (https://www.w3.org/TR/graphics-aria-1.0/#graphics-symbol).
SYMBOLS = '[role="graphics-symbol"][aria-label]'
_ALL_DRAWN = """(among) => {
  const plots = [...document.querySelectorAll(among + ' .plot')];
  return plots.length > 0 && plots.every((plot) => plot.querySelector('svg.marks'));
}"""
#: As a reader goes through a page: what is out of sight may wait to be drawn until somebody comes near.
_READ_THROUGH = """() => {
  const shown = [...document.querySelectorAll('main .plot')].filter((plot) => plot.checkVisibility());
  const waiting = shown.find((plot) => !plot.querySelector('svg.marks'));
  waiting?.scrollIntoView();
  return !waiting;
}"""
_TICKS = """(axis) => {
  const labels = [...axis.querySelectorAll('.role-axis-label text')].map((text) => text.textContent);
  return [...axis.querySelectorAll('.role-axis-tick line')].map((tick, at) => {
    const box = tick.getBoundingClientRect();
    return [Number(labels[at].replace('\\u2212', '-').replaceAll(',', '')), box.x + box.width / 2];
  });
}"""
_TABLE = """(table) => ({
  caption: document.getElementById(table.getAttribute('aria-labelledby')).textContent,
  columns: [...table.tHead.rows[0].cells].map((cell) => cell.firstChild.textContent.trim()),
  rows: [...table.tBodies[0].rows].map((row) => [...row.cells].map((cell) => ({
    text: cell.textContent.trim(), value: cell.dataset.value === undefined ? null : Number(cell.dataset.value),
  }))),
})"""


def open_all(page: Page) -> None:
    """Unfold everything, and go through it until every chart is drawn."""
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    read_through(page)


def read_through(page: Page) -> None:
    """Go through the page as it is unfolded until every chart is drawn."""
    page.wait_for_function(_READ_THROUGH)


def wait_until_drawn(page: Page, among: str) -> None:
    """Wait for the charts in a part of the page, such as ``#throughput``."""
    page.wait_for_function(_ALL_DRAWN, arg=among)


def marks(page: Page, chart: str) -> list[str]:
    """What the marks of a chart say of themselves."""
    labels: list[str] = page.eval_on_selector_all(
        f"#chart-{chart} {SYMBOLS}", "(all) => all.map((one) => one.getAttribute('aria-label'))"
    )
    return labels


@dataclass(frozen=True)
class Axis:
    """An axis as a reader reads it: by the figures at its ticks."""

    ticks: tuple[tuple[float, float], ...]

    def px(self, value: float) -> float:
        """Where on the screen a value is."""
        (low, low_px), *_, (high, high_px) = self.ticks
        return low_px + (value - low) * (high_px - low_px) / (high - low)


def x_axis(page: Page, chart: str) -> Axis:
    """The horizontal axis of a chart."""
    axis = page.locator(f'#chart-{chart} [aria-label^="X-axis"]').first
    return Axis(tuple((value, px) for value, px in axis.evaluate(_TICKS)))


@dataclass(frozen=True)
class ReadTable:
    """A table of the page."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[dict[str, Any], ...], ...]

    def column(self, name: str) -> list[Any]:
        """The figures below a heading, texts where they are no figures."""
        (place,) = [at for at, column in enumerate(self.columns) if column == name]
        return [row[place]["text"] if row[place]["value"] is None else row[place]["value"] for row in self.rows]


def tables(page: Page, among: str) -> list[ReadTable]:
    """All tables in a part of the page, in order."""
    found = page.eval_on_selector_all(f"{among} table", f"(all) => all.map({_TABLE})")
    return [ReadTable(one["caption"], tuple(one["columns"]), tuple(tuple(row) for row in one["rows"])) for one in found]


def contrast(page: Page, selector: str) -> float:
    """Of an element's text against the page's ground, as https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio has it."""
    colours = page.eval_on_selector(
        selector,
        "(one) => [getComputedStyle(one).color, getComputedStyle(document.body).backgroundColor]",
    )
    darker, lighter = sorted(_luminance(colour) for colour in colours)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    """Relative luminance (https://www.w3.org/TR/WCAG21/#dfn-relative-luminance) of ``rgb(R, G, B)``."""
    parts = [int(part) / 255 for part in colour.partition("(")[2].rstrip(")").split(",")[:3]]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
