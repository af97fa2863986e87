"""What a conformance check does when a promise is broken; it works where Python's assertions are switched off, too."""

from __future__ import annotations

from collections.abc import Callable


def insist(holds: bool, promise: str) -> None:
    """Raise AssertionError with the promise that was broken, unless it holds."""
    if not holds:
        raise AssertionError(promise)


def insist_raises(kind: type[Exception], action: Callable[[], object], promise: str) -> Exception:
    """Insist that ``action`` raises an error of this kind. Returns the error."""
    try:
        action()
    except kind as error:
        return error
    raise AssertionError(f"{promise}: {kind.__name__} was expected and nothing was raised")
