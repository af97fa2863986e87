"""What ``leases`` prints: each host of a lab with who uses it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding

from orchestrator.adapters.report.json_out import SCHEMA_VERSION
from orchestrator.adapters.report.plain import safe
from orchestrator.adapters.report.sections import bullets, heading
from orchestrator.adapters.report.text import Text
from orchestrator.engine.leased import HostUse
from orchestrator.engine.ports import Lease
from orchestrator.units import format_duration

_COLUMNS = ("lease", "state", "owner", "since (UTC)", "last heard of")


def render_leases(hosts: Mapping[str, HostUse]) -> RenderableType:
    """The leases of each host, for a terminal of 80 columns or more."""
    parts: list[RenderableType] = []
    for name, host in hosts.items():
        parts += [Text()] if parts else []
        parts.append(heading(f"host {name}"))
        parts += bullets(_sentences(host))
        if host.leases:
            parts += _lines(host.leases)
    return Group(*parts)


def leases_json(hosts: Mapping[str, HostUse]) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "schema_version": SCHEMA_VERSION,
        "hosts": {
            name: {
                "trouble": host.trouble,
                "remark": host.remark,
                "leases": [_plain(lease) for lease in host.leases],
            }
            for name, host in hosts.items()
        },
    }


def _plain(lease: Lease) -> dict[str, Any]:
    return {
        "name": lease.name,
        "state": lease.state,
        "owner": lease.owner,
        "pid": lease.pid,
        "run": lease.run,
        "title": lease.title,
        "guest": lease.guest,
        "since_utc": lease.since_utc,
        "silent_s": None if lease.state == "abandoned" else lease.silent_s,
    }


def _sentences(host: HostUse) -> list[str]:
    free = not host.leases and host.trouble is None and not host.remark
    found = [host.trouble, host.remark, "nobody holds it, nor a guest on it" if free else None]
    return [sentence for sentence in found if sentence]


def _lines(leases: Sequence[Lease]) -> Iterator[RenderableType]:
    """Two lines for each: name, state and holder; the run that it is for."""
    rows = [_COLUMNS, *(_row(lease) for lease in leases)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_COLUMNS))]
    texts = ["  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    yield Text(texts[0], style="bold")
    for lease, text in zip(leases, texts[1:], strict=True):
        yield Text(text)
        purpose = ": ".join(safe(part) for part in (lease.run, lease.title) if part)
        if purpose:
            yield Padding(Text(purpose, style="dim"), (0, 0, 0, 2))


def _row(lease: Lease) -> tuple[str, ...]:
    silent = "ended" if lease.state == "abandoned" else f"{format_duration(float(round(lease.silent_s)))} ago"
    since = lease.since_utc[:16].replace("T", " ")
    return safe(lease.name), lease.state, safe(lease.owner), safe(since), silent
