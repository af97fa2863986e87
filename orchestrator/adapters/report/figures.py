"""How the figures of a trial are written: rates with their interval, a vCPU's time, the steady window."""

from __future__ import annotations

import math
from collections.abc import Sequence

from orchestrator.adapters.report.plain import safe
from orchestrator.core.measure.results import AverageShare, Interval, TrialSummary, VcpuShare, Window
from orchestrator.core.verdict.words import number
from orchestrator.units import PERIODS, format_duration

_VCPUS_SHOWN = 6
_LEFT_OUT_SHOWN = 3


def rate_text(interval: Interval | None, per: str) -> str:
    """A mean with half the width of its interval, in operations per period: ``2400 ± 24``.

    An interval that is wider than the mean is said so in words: its figures would mean nothing.
    """
    if interval is None:
        return "none"
    factor = PERIODS[per]
    if interval.low is None or interval.high is None:
        return f"{number(interval.mean * factor)} (no interval)"
    half_width = (interval.high - interval.low) / 2 * factor
    if half_width > abs(interval.mean * factor):
        return f"{number(interval.mean * factor)} (± more than the mean)"
    if half_width == 0:
        return f"{number(interval.mean * factor)} ± 0"
    # An error has two digits, and the mean as many decimals as the error (JCGM 100:2008, 7.2.6).
    error = float(f"{half_width:.2g}")
    places = max(0, 1 - math.floor(math.log10(error)))
    return f"{interval.mean * factor:.{places}f} ± {error:.{places}f}"


def window_text(window: Window | None) -> str:
    """The steady window in seconds since launch: ``12 to 72 s``."""
    return "none" if window is None else f"{window.start_s:.0f} to {window.end_s:.0f} s"


def steady_lines(summary: TrialSummary, since: str = "launch") -> list[str]:
    """What else is known of the steady state: the warm-up's end, regular slowdowns, readings that were left out.

    Args:
        summary: of the trial.
        since: what its times count from.
    """
    lines = []
    if summary.warm_up_earliest_s is not None and summary.warm_up_latest_s is not None:
        ended = between_text(summary.warm_up_earliest_s, summary.warm_up_latest_s)
        late = summary.window is not None and summary.warm_up_latest_s > summary.window.start_s
        allowed = "; the interval allows for what may be left of it" if late else ""
        lines.append(f"the warm-up ended {ended} after {since}{allowed}")
    if summary.period_s is not None:
        lines.append(
            f"it slows down every {format_duration(summary.period_s)}, which is part of it: "
            "the window holds whole periods"
        )
    lines += [safe(f"left out, {reason}") for reason in summary.left_out[:_LEFT_OUT_SHOWN]]
    if (more := len(summary.left_out) - _LEFT_OUT_SHOWN) > 0:
        lines.append(f"and {more} more readings were left out")
    return lines


def between_text(earliest_s: float, latest_s: float) -> str:
    """``between 8 and 12 s``, ``at 8 s``."""
    low, high = f"{earliest_s:.0f}", f"{latest_s:.0f}"
    return f"at {low} s" if low == high else f"between {low} and {high} s"


def share_text(share: float | None) -> str:
    """A share in percent, without the sign; ``?`` where the counter is unavailable."""
    return "?" if share is None else f"{share * 100:.1f}"


def known_within(share: float) -> str:
    """The uncertainty of a share in percent, without the sign; what would round to 0.0 is rounded up."""
    return share_text(max(share, 0.001))


def vcpus_text(vcpus: Sequence[VcpuShare]) -> str:
    """Each vCPU's run/wait/idle on one line; of many, the first ones and the mean."""
    if not vcpus:
        return "none"
    shown = [f"{v.vcpu}: {'/'.join(share_text(s) for s in (v.run, v.wait, v.idle))}" for v in vcpus[:_VCPUS_SHOWN]]
    if len(vcpus) > _VCPUS_SHOWN:
        means = "/".join(share_text(_mean([getattr(v, name) for v in vcpus])) for name in ("run", "wait", "idle"))
        shown.append(f"mean of all {len(vcpus)}: {means}")
    return ", ".join(shown)


def average_text(average: AverageShare) -> str:
    """Run/wait/idle over all vCPUs, where no more is known."""
    return "/".join(share_text(share) for share in (average.run, average.wait, average.idle))


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if len(known) == len(values) else None
