"""Each trial: what became of it, how it went, and whether to believe it."""

from __future__ import annotations

from collections.abc import Iterator

from orchestrator.adapters.report.charts.trial import trial_chart
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.content.standing import (
    CHECK_MARKS,
    in_short,
    kind_of_trial,
    mean_text,
    trial_mark,
    trial_name,
)
from orchestrator.adapters.report.content.trial_table import trials_table
from orchestrator.adapters.report.document.numbers import UNAVAILABLE, figures, text, whole
from orchestrator.adapters.report.document.parts import (
    Block,
    Checks,
    Facts,
    Number,
    Paragraph,
    Section,
    Sentences,
    Table,
)
from orchestrator.adapters.report.figures import average_text, known_within, share_text, steady_lines, window_text
from orchestrator.adapters.report.imported_text import since_text
from orchestrator.adapters.report.runs_text import tally_text
from orchestrator.adapters.report.trial_text import about_trial, seen_inside
from orchestrator.core.measure.results import TrialSummary
from orchestrator.core.record.run import StoredRun
from orchestrator.core.record.run_line import tally
from orchestrator.core.record.trial import TrialRecord
from orchestrator.core.verdict.words import capital, count, number


def trials_section(source: RunSource, per: str) -> Section:
    """A table of all trials, then a folded part for each that has ended."""
    run = source.run
    imported = run.record.origin == "imported"
    title = "Readings in the order of the table" if imported else "Trials in the order in which they ran"
    parts = tuple(_trial(source, trial, per) for trial in run.trials)
    return Section("trials", title, (trials_table(run, per),), parts, summary=tally_text(tally(run)))


def _trial(source: RunSource, trial: TrialRecord, per: str) -> Section:
    run = source.run
    called = trial_name(run, trial)
    blocks: list[Block] = [Facts(tuple(_about(run, trial)))]
    if (course := source.courses.get(trial.id)) is not None:
        blocks.append(trial_chart(trial, course, per, since_text(run.record), kind_of_trial(run.record)))
    if trial.summary is not None:
        blocks += [
            *_window(trial.summary, per, since_text(run.record)),
            *_vcpus(trial.summary, called),
            *(_sides(trial.summary) if run.record.origin == "measured" else ()),
            *_checks(trial.summary),
        ]
    blocks += [*_stages(trial, called), *_clocks(trial, called), *_seen(trial)]
    load = f"{trial.workload}, " if len({one.workload for one in run.record.trials}) > 1 else ""
    block = f", block {trial.block}" if run.record.in_blocks else ""
    return Section(
        f"trial-{trial.number}",
        f"{called}: shape {trial.shape}, {load}{count(trial.threads, 'thread')}{block}",
        tuple(blocks),
        folded=True,
        mark=trial_mark(trial),
        summary=in_short(trial, per),
    )


def _about(run: StoredRun, trial: TrialRecord) -> Iterator[tuple[str, str]]:
    """What became of it; the guest is the run's."""
    yield "id", trial.id
    yield from ((name, told) for name, told in about_trial(run, trial).items() if name != "guest")


def _window(summary: TrialSummary, per: str, since: str) -> Iterator[Block]:
    """The mean over the steady window, and what else is known of the steady state."""
    told = []
    if summary.throughput is not None and summary.window is not None:
        over = f" over {window_text(summary.window)} since {since}"
        effective = summary.throughput.effective_samples
        samples = "" if effective is None else f", from {effective:.0f} effective samples"
        told.append(f"{mean_text(summary.throughput, per)}{over}{samples}.")
    told += [f"{capital(line)}." for line in steady_lines(summary, since)]
    if told:
        yield Sentences(tuple(told))


def _vcpus(summary: TrialSummary, called: str) -> Iterator[Block]:
    """Run, wait and idle of each vCPU, or their averages where no more is known."""
    if summary.vcpus:
        columns = (
            figures("vCPU"),
            figures("run", "%"),
            figures("wait", "%"),
            figures("idle", "%"),
            figures("known within", "± %"),
        )
        rows = tuple(
            (
                whole(vcpu.vcpu),
                *[_share(share) for share in (vcpu.run, vcpu.wait, vcpu.idle)],
                Number(known_within(vcpu.uncertainty), vcpu.uncertainty * 100),
            )
            for vcpu in summary.vcpus
        )
        yield Table(f"{called}: vCPUs while steady", columns, rows)
    elif summary.vcpus_average is not None:
        average = average_text(summary.vcpus_average)
        yield Paragraph(f"Where the vCPUs' time went on average: run/wait/idle {average} %.")


def _share(share: float | None) -> Number:
    return UNAVAILABLE if share is None else Number(share_text(share), share * 100)


def _sides(summary: TrialSummary) -> Iterator[Block]:
    cost, busy, steal = summary.cpu_seconds_per_operation, summary.host_busy, summary.guest_steal
    yield Facts(
        (
            ("CPU time an operation", "unavailable" if cost is None else f"{number(cost * 1000)} ms"),
            ("host busy", "unavailable" if busy is None else f"{share_text(busy)} % of all its CPUs"),
            ("steal seen by the guest", "unavailable" if steal is None else f"{share_text(steal)} %"),
        )
    )


def _checks(summary: TrialSummary) -> Iterator[Block]:
    if summary.checks:
        yield Checks(tuple((check.title, CHECK_MARKS[check.state], check.detail) for check in summary.checks))


def _stages(trial: TrialRecord, called: str) -> Iterator[Block]:
    if trial.stages:
        columns = (text("stage"), figures("time", "s"), figures("tries"))
        rows = tuple(
            (stage.stage, Number(f"{stage.seconds:.3f}", stage.seconds), whole(stage.attempts))
            for stage in trial.stages
        )
        yield Table(f"{called}: stages", columns, rows)


def _clocks(trial: TrialRecord, called: str) -> Iterator[Block]:
    if not trial.clocks:
        return
    columns = (
        text("clock of"),
        text("taken"),
        figures("ahead of the controller's", "s"),
        figures("known within", "± µs"),
        figures("exchanges"),
    )
    rows = tuple(
        (
            clock.machine,
            clock.when,
            Number(f"{clock.offset_s:.6f}", clock.offset_s),
            Number(f"{clock.uncertainty_s * 1e6:.0f}", clock.uncertainty_s * 1e6),
            whole(clock.exchanges),
        )
        for clock in trial.clocks
    )
    yield Table(f"{called}: clocks", columns, rows)


def _seen(trial: TrialRecord) -> Iterator[Block]:
    if trial.seen_inside:
        yield Paragraph("Seen from inside the guest:")
        yield Facts(tuple(seen_inside(*seen) for seen in trial.seen_inside.items()))
