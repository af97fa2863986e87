"""Plans and labs for the tests of the design, built from plain values."""

from __future__ import annotations

from typing import Any

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan

SHAPES = [
    {"name": "one", "vcpus": 1, "memory": "1 GiB"},
    {"name": "two", "vcpus": 2, "memory": "1 GiB"},
    {"name": "four", "vcpus": 4, "memory": "2 GiB"},
]
WORKLOADS = [
    {"name": "bookings", "use": "bookings", "threads": [1, 2, 4]},
    {
        "name": "fares",
        "threads": [2],
        "command": ["fares", "{threads}"],
        "reader": {"pattern": "(?P<value>[0-9]+)"},
    },
]


def plan(**changes: Any) -> Plan:
    """A plan of three shapes and two workloads, with top-level keys replaced."""
    whole: dict[str, Any] = {
        "title": "How many vCPUs does the bookings database need?",
        "lab": "lab.yaml",
        "guest": "bookings-1",
        "shapes": SHAPES,
        "workloads": WORKLOADS,
        "design": {"blocks": 5, "seed": 7},
    }
    return Plan.model_validate(whole | changes)


def lab(**guest: Any) -> Lab:
    """A lab of one host and one guest, with keys of the guest replaced."""
    whole: dict[str, Any] = {"host": "rack-a", "may-power-cycle": True, "limits": {"vcpus": 4, "memory": "8 GiB"}}
    return Lab.model_validate({"hosts": {"rack-a": {"hypervisor": "model"}}, "guests": {"bookings-1": whole | guest}})
