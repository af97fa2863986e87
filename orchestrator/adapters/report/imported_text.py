"""An imported run for a person: what was made of the readings, and what stands for a plan where it is shown."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType

from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import bullet
from orchestrator.adapters.report.text import Given, Text
from orchestrator.core.record.run import RunRecord, StoredRun
from orchestrator.core.verdict.words import capital, count


def render_imported(run: StoredRun, answer: str, remarks: Sequence[str] = ()) -> RenderableType:
    """What came of an import.

    Args:
        run: as it was kept.
        answer: its verdict's.
        remarks: what has to be said of the table.
    """
    parts: list[RenderableType] = [
        Given(safe(run.record.title), style="bold"),
        Text(f"{capital(readings_text(run.record))}, imported as run {safe(run.record.id)}."),
        *(
            bullet(f"{trial.id}: {trial.reason}; it does not count")
            for trial in run.trials
            if trial.outcome != "measured"
        ),
        *(bullet(remark) for remark in remarks),
        Text(""),
        Text(safe(answer, 2000)),
    ]
    return Group(*parts)


def readings_text(record: RunRecord) -> str:
    """``twelve readings of four cells in three blocks``."""
    cells = {(trial.shape, trial.workload, trial.threads) for trial in record.trials}
    blocks = len({trial.block for trial in record.trials})
    order = f" in {count(blocks, 'block')}" if record.in_blocks else ", not in blocks"
    return f"{count(len(record.trials), 'reading')} of {count(len(cells), 'cell')}{order}"


def imported_facts(record: RunRecord) -> dict[str, str]:
    """What stands where a run that was measured here tells of its design."""
    logs, note = len(record.inputs_sha256) - 1, record.plan.get("note")
    beside = f" and {count(logs, 'log')}" if logs else ""
    facts = {"readings": readings_text(record), "kept": f"table.csv{beside}, in inputs/"}
    return facts | ({"note": safe(str(note), 1000)} if note else {})


def since_text(record: RunRecord) -> str:
    """What times within a trial count from: a log that was imported does not tell of the launch."""
    return "its first reading" if record.origin == "imported" else "launch"
