"""When a page can be used: said once, for the test that asserts it and the benchmark that prints it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

#: Notes in ``window.interactive``, in ms since the navigation began, when the charts of the first screen are drawn (the
#: first one, where the first screen has none) and the main thread is idle after that: whatever is pressed then is
#: answered. ``requestIdleCallback`` is of https://www.w3.org/TR/requestidlecallback/. In ``window.shifted`` what has
#: moved that nobody touched (https://wicg.github.io/layout-instability/), in ``window.longest`` the longest task that
#: held the main thread for more than 50 ms after that (https://www.w3.org/TR/longtasks-1/).
NOTE = """
window.interactive = null;
window.shifted = 0;
window.longest = 0;
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifted += entry.value;
}).observe({type: 'layout-shift', buffered: true});
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    if (window.interactive !== null && entry.startTime > window.interactive) {
      window.longest = Math.max(window.longest, entry.duration);
    }
  }
}).observe({type: 'longtask', buffered: true});
const look = () => {
  const plots = [...document.querySelectorAll('.plot')].filter((plot) => !plot.closest('details:not([open])'));
  const near = plots.filter((plot) => plot.getBoundingClientRect().top < innerHeight);
  const first = near.length ? near : plots.slice(0, 1);
  if (document.readyState === 'complete' && first.length && first.every((plot) => plot.querySelector('svg.marks'))) {
    requestIdleCallback(() => { window.interactive = performance.now(); });
  } else {
    requestAnimationFrame(look);
  }
};
requestAnimationFrame(look);
"""


def interactive_ms(page: Page) -> float:
    """How long it took until the page could be used; it was opened with :data:`NOTE`."""
    page.wait_for_function("() => window.interactive !== null")
    taken: float = page.evaluate("window.interactive")
    return taken
