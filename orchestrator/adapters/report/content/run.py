"""What the report of one run says, in the order in which it is read."""

from __future__ import annotations

from orchestrator.adapters.report.content.answer import about, answer, certainty, mark, warnings
from orchestrator.adapters.report.content.checks import checks_section
from orchestrator.adapters.report.content.environment import environment_section
from orchestrator.adapters.report.content.identity import distinct
from orchestrator.adapters.report.content.reasons import (
    comparisons_section,
    reasons_section,
    remarks_section,
    time_section,
)
from orchestrator.adapters.report.content.repeating import plan_section, repeat_section, versions_section
from orchestrator.adapters.report.content.source import RunSource
from orchestrator.adapters.report.content.throughput import (
    cpu_section,
    price_section,
    scaling_section,
    templates_section,
    throughput_section,
)
from orchestrator.adapters.report.content.trials import trials_section
from orchestrator.adapters.report.document.minus import with_true_minus
from orchestrator.adapters.report.document.parts import Document


def run_document(source: RunSource, per: str) -> Document:
    """The report of one run.

    Args:
        source: the run and all that is known of it.
        per: period of its throughput.
    """
    run, verdict = source.run, source.verdict
    return with_true_minus(
        Document(
            kind="run",
            title=run.record.title,
            about=about(run),
            answer=answer(source),
            certainty=certainty(source),
            mark=mark(source),
            warnings=warnings(source),
            sections=distinct(
                [
                    *templates_section(verdict, per),
                    *throughput_section(source, per),
                    *cpu_section(verdict),
                    *scaling_section(verdict, per),
                    *price_section(verdict, per),
                    *reasons_section(verdict),
                    *comparisons_section(verdict),
                    *remarks_section(verdict),
                    *time_section(source.time),
                    trials_section(source, per),
                    *checks_section(run),
                    environment_section(run.record, source.environment),
                    plan_section(source),
                    versions_section(run.record),
                    repeat_section(source),
                ]
            ),
        )
    )
