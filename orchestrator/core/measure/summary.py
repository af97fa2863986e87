"""The last word on a trial: a pure function of its series, so that anybody can repeat it from what is stored."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace

from orchestrator.core.design.plan import Measure
from orchestrator.core.measure.checks import Evidence, run_checks
from orchestrator.core.measure.cleaning import LeftOut, clean
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import with_clock_uncertainty
from orchestrator.core.measure.mean import FEWEST_FOR_BOUNDS
from orchestrator.core.measure.results import Check, TrialSummary, VcpuShare
from orchestrator.core.measure.samples import Sample, Throughput
from orchestrator.core.measure.shares import host_busy, steal, vcpu_shares
from orchestrator.core.measure.steady.steady_state import SMALLEST_CHANGE, NotSteady
from orchestrator.core.measure.window import SteadyWindow, shortened, steady_window
from orchestrator.units import format_duration, format_percent

TRIMMED_AT_MOST = 0.05
"""The window gives up at most this share of its readings (or two) so that the counters cover it at both ends."""


def summarise(  # noqa: PLR0913 - one keyword for each series and rule: a bundle would only rename them
    *,
    throughput: Throughput,
    vcpu: Sequence[Sample],
    host: Sequence[Sample],
    guest: Sequence[Sample],
    launched_s: float,
    rules: Measure,
    confidence: float,
    vcpus: int,
    clocks: Mapping[str, tuple[Offset | None, Offset | None]] | None = None,
    output_problems: Sequence[str] = (),
    neighbour_cpus: float | None = None,
    checked: Sequence[Check] = (),
) -> TrialSummary:
    """Judge a finished trial.

    All times are the controller's monotonic time. Throughput and counters are averaged over the same window of it;
    where the counters' first or last sample lies just inside the steady stretch, the stretch is shortened to them.

    Args:
        throughput: everything read from launch to stop, from :func:`~orchestrator.core.measure.throughput.throughput`.
        vcpu: samples of the vCPU counters, from before launch to after stop; empty where the driver has none.
        host: samples of the host's counters; empty where the host cannot be logged in to.
        guest: samples of the guest's own counters.
        launched_s: when the workload was launched.
        rules: the plan's ``measure``.
        confidence: the plan's ``decide.confidence``.
        vcpus: of the shape, to notice counters that are missing altogether.
        clocks: ``host`` and ``guest`` to their offsets before and after the trial; leave out what was not measured.
        output_problems: what the reader of the workload's output found; goes into a check.
        neighbour_cpus: CPUs that the declared neighbours want at least; ``None`` where the plan declares none.
        checked: what was checked before the launch; kept before the checks that are made here.

    Returns:
        The summary. A trial that was never steady has a reason, no window, no throughput and no shares; its checks look
        at everything after the shortest warm-up.
    """
    found = steady_window(throughput, launched_s=launched_s, rules=rules, confidence=confidence)
    if isinstance(found, SteadyWindow):
        found = _covered(found, throughput, (vcpu, host, guest), launched_s, confidence)
    if isinstance(found, SteadyWindow):
        found = replace(found, interval=with_clock_uncertainty(found.interval, throughput.clock))
    start_s, end_s = _judged(found, throughput, launched_s, rules)
    shares = vcpu_shares(vcpu, start_s, end_s)
    made = run_checks(
        Evidence(
            start_s=start_s,
            end_s=end_s,
            every_s=rules.every,
            vcpus=vcpus,
            throughput=throughput,
            vcpu=vcpu,
            host=host,
            guest=guest,
            shares=shares,
            clocks=clocks or {},
            output_problems=output_problems,
            neighbour_cpus=neighbour_cpus,
            interval=found.interval if isinstance(found, SteadyWindow) else None,
        )
    )
    checks = (*checked, *made)
    if isinstance(found, NotSteady):
        return _unsteady(found, checks, clean(throughput.rate).left_out, throughput, launched_s)
    return TrialSummary(
        steady=True,
        reason=_why_steady(found),
        window=found.window,
        throughput=found.interval,
        vcpus=shares,
        cpu_seconds_per_operation=_cpu_seconds_per_operation(shares, vcpus, found.interval.mean),
        host_busy=host_busy(host, start_s, end_s),
        guest_steal=steal(guest, start_s, end_s),
        checks=checks,
        warm_up_earliest_s=found.earliest_s,
        warm_up_latest_s=found.latest_s,
        period_s=found.period_s,
        left_out=_left_out(found.left_out, throughput, launched_s),
    )


def _left_out(readings: Sequence[LeftOut], series: Throughput, launched_s: float) -> tuple[str, ...]:
    return tuple(
        f"{series.rate[one.index]:.4g} per second, {format_duration(max(series.time_s[one.index] - launched_s, 0.0))} "
        f"after launch: {one.reason}"
        for one in readings
    )


def _unsteady(
    found: NotSteady,
    checks: tuple[Check, ...],
    left_out: Sequence[LeftOut],
    series: Throughput,
    launched_s: float,
) -> TrialSummary:
    return TrialSummary(
        steady=False,
        reason=f"not steady: throughput {found.reason}",
        window=None,
        throughput=None,
        vcpus=(),
        cpu_seconds_per_operation=None,
        host_busy=None,
        guest_steal=None,
        checks=checks,
        kind=found.kind,
        left_out=_left_out(left_out, series, launched_s),
    )


def _judged(
    found: SteadyWindow | NotSteady, series: Throughput, launched_s: float, rules: Measure
) -> tuple[float, float]:
    """The span that the checks look at, in the controller's monotonic time."""
    if isinstance(found, SteadyWindow):
        return found.window.start_s + launched_s, found.window.end_s + launched_s
    start_s = launched_s + rules.warm_up.at_least
    return start_s, max([start_s, *series.time_s[-1:]])


def _covered(
    found: SteadyWindow, series: Throughput, streams: Sequence[Sequence[Sample]], launched_s: float, confidence: float
) -> SteadyWindow | NotSteady:
    """Shorten a window to what all counter streams cover, unless that costs more than a little of it."""
    taken = [stream for stream in streams if len(stream) > 1]
    if not taken:
        return found
    starts = [end - width for end, width in zip(series.time_s, series.width_s, strict=True)]
    first = max(found.first, bisect_left(starts, max(stream[0].time_s for stream in taken)))
    last = min(found.last, bisect_right(series.time_s, min(stream[-1].time_s for stream in taken)) - 1)
    given_up = (first - found.first) + (found.last - last)
    readings = found.last + 1 - found.first
    if given_up == 0 or given_up > max(2, TRIMMED_AT_MOST * readings) or readings - given_up < FEWEST_FOR_BOUNDS:
        return found
    return shortened(found, series, (first, last), launched_s=launched_s, confidence=confidence)


def _why_steady(found: SteadyWindow) -> str:
    whole = (
        ""
        if found.period_s is None
        else f", which is a whole number of slowdowns {format_duration(found.period_s)} apart"
    )
    return (
        f"steady from {format_duration(found.window.start_s)} after launch, since no drift, step or swing of more than "
        f"{format_percent(SMALLEST_CHANGE)} stands out in the {format_duration(found.length_s)} that follow{whole}"
    )


def _cpu_seconds_per_operation(shares: Sequence[VcpuShare], vcpus: int, rate: float) -> float | None:
    """The service demand on CPU (Lazowska et al. 1984): busy vCPUs over throughput; every vCPU's run must be known."""
    if len(shares) < vcpus or rate <= 0:
        return None
    return sum(share.run for share in shares) / rate
