"""A trial that is not to be finished, for a reason that is not its own."""

from __future__ import annotations


class CutOffError(Exception):
    """The trial in hand is given up, and does not count as failed: its time is over, or its measurement is worthless.

    Attributes:
        again: whether the trial is to be run once more now.
    """

    def __init__(self, reason: str, *, again: bool) -> None:
        super().__init__(reason)
        self.again = again
