"""What counts as a quiet host before a trial, and what becomes of a trial where the host is not quiet in time."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from orchestrator.core.design.declared import Declared, Duration, Percent
from orchestrator.core.design.quantity import Celsius
from orchestrator.units import format_celsius, format_duration, format_percent

_DAY = 86400


class QuietHost(Declared):
    """The host is looked at before each trial, while the guest is off, and waited for until nothing disturbs it."""

    busy_below: Annotated[Percent, Field(gt=0, le=1)] = 0.05
    """Share of the time of all the host's CPUs that something else may use."""
    pressure_below: Annotated[Percent, Field(gt=0, le=1)] | None = None
    """Share of the time in which some task of the host may wait for a CPU; not looked at when left out."""
    cooler_than: Annotated[Celsius, Field(gt=0, le=150)] | None = None
    """The warmest of the host's thermal zones has to be below; not looked at when left out."""
    wait: Annotated[Duration, Field(le=_DAY)] = 600.0
    """For so long a quiet host is waited for at the most, before each trial."""
    then: Literal["go-on", "skip"] = "go-on"
    """What becomes of the trial after that: it is measured all the same and flagged, or counts as failed."""

    def __str__(self) -> str:
        """``busy below 5 %, cooler than 70 °C``."""
        parts = [f"busy below {format_percent(self.busy_below)}"]
        if self.pressure_below is not None:
            parts.append(f"pressure below {format_percent(self.pressure_below)}")
        if self.cooler_than is not None:
            parts.append(f"cooler than {format_celsius(self.cooler_than)}")
        return ", ".join(parts)

    @property
    def told(self) -> str:
        """All of it in words, as what happens before each trial."""
        end = "measured all the same and flagged" if self.then == "go-on" else "skipped, and counts as failed"
        within = f"for {format_duration(self.wait)} at most" if self.wait else "not at all"
        return (
            f"before each trial, with the guest off, a quiet host is waited for ({self}), {within}; "
            f"a trial whose host is not quiet by then is {end}"
        )
