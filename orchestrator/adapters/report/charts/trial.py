"""A trial over time: its throughput with warm-up and steady window, and where the time of the vCPUs went meanwhile."""

from __future__ import annotations

import math
from collections.abc import Iterator

from orchestrator.adapters.report.charts.trial_parts import trial_table
from orchestrator.adapters.report.charts.trial_plot import height_px, trial_plot
from orchestrator.adapters.report.charts.trial_rows import no_window, trial_rows
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.adapters.report.figures import rate_text, share_text, window_text
from orchestrator.adapters.report.plain import safe
from orchestrator.core.measure.cleaning import clean
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import capital, count, listed, number
from orchestrator.engine.courses import TrialCourse
from orchestrator.units import PERIODS, format_duration


def trial_chart(record: TrialRecord, course: TrialCourse, per: str, since: str, called: str = "Trial") -> Chart:
    """The chart of a trial; those of all trials of a run have one specification and differ in their rows.

    Args:
        record: of the trial, whatever became of it.
        course: its series.
        per: period of the rates.
        since: what the times of the series count from: ``launch``.
        called: what it is: ``Trial``, or ``Reading`` of an imported run, which did not run in a block here.
    """
    shares = bool(course.shares)
    cell = safe(f"{record.shape}-{record.workload}-t{record.threads}")
    block = f", block {record.block}" if called == "Trial" else ""
    also = ", and where the vCPUs' time went in percent" if shares else ""
    template = ["trial", *([] if since == "launch" else [since.replace(" ", "-")]), *([] if shares else ["alone"])]
    return Chart(
        id=f"trial-{record.number}",
        title=f"{called} {record.number}, {cell}{block}: operations per {per}{also}",
        alternative=" ".join(_sentences(record, course, per, since)),
        spec=trial_plot(per, since, shares=shares),
        height_px=height_px(shares=shares),
        data=trial_rows(record, course, per, since),
        template="-".join(template),
        table=trial_table(record, course, per, since, called),
    )


def _sentences(record: TrialRecord, course: TrialCourse, per: str, since: str) -> Iterator[str]:
    """What is to be seen, for whoever does not see it."""
    series, summary = course.throughput, record.summary
    cleaned = clean(series.rate)
    if kept := [value for value in cleaned.values.tolist() if not math.isnan(value)]:
        length = format_duration(max(series.time_s[-1], 0.0))
        readings = f"{len(kept)} readings" if len(kept) > 1 else "one reading"
        ends = f"{number(min(kept) * PERIODS[per])} to {number(max(kept) * PERIODS[per])} per {per}"
        yield f"Throughput in {readings} over {length} since {since}, from {ends}."
    else:
        yield "No throughput was read."
    if cleaned.left_out:
        yield f"{capital(count(len(cleaned.left_out), 'reading'))} that cannot be true, marked apart."
    if summary is None or summary.window is None or summary.throughput is None:
        yield f"{capital(no_window(record))}."
        return
    if summary.window.start_s > 0:
        yield f"Warm-up for {format_duration(summary.window.start_s)}."
    mean = rate_text(summary.throughput, per)
    yield f"Steady window from {window_text(summary.window)} after {since}: {mean} per {per}."
    if shares := _shares(summary):
        yield f"In it {listed(shares)}."


def _shares(summary: TrialSummary) -> list[str]:
    told: list[str] = []
    for what, words in (
        ("run", "the vCPUs ran {} % of their time"),
        ("wait", "waited {} %"),
        ("idle", "were idle {} %"),
    ):
        known = [share for vcpu in summary.vcpus if (share := getattr(vcpu, what)) is not None]
        if known and len(known) == len(summary.vcpus):
            told.append(words.format(share_text(sum(known) / len(known))))
    if summary.host_busy is not None:
        told.append(f"the host was busy {share_text(summary.host_busy)} %")
    if summary.guest_steal is not None:
        told.append(f"the guest saw {share_text(summary.guest_steal)} % stolen")
    return told
