"""What a check of a stored run found, for a person and as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rich.console import Group, RenderableType

from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.runs_text import bullet
from orchestrator.adapters.report.text import Text
from orchestrator.core.record.finding import Verified
from orchestrator.units import format_size


def render_verified(verified: Verified) -> RenderableType:
    """A line of what was checked, then a sentence for each thing that is wrong."""
    checked = f"{verified.files} files, {format_size(verified.size_bytes)}, compared with their digests"
    number = len(verified.findings)
    found = "nothing is wrong" if not number else f"{number} {'thing is' if number == 1 else 'things are'} wrong"
    state = f" ({verified.state})" if verified.state else ""
    return Group(
        Text(f"run {safe(verified.run)}{state}"),
        Text(f"{checked}: {found}", style="bold"),
        *(bullet(finding.sentence) for finding in verified.findings),
        *(Text(safe(remark, 1000)) for remark in verified.remarks),
    )


def verified_json(verified: Verified) -> dict[str, Any]:
    """What ``trialbed verify --json`` prints."""
    return {"schema_version": SCHEMA_VERSION, "ok": not verified.findings, **asdict(verified)}
