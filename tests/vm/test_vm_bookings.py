"""The built-in workload in a real guest that has Python."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from vm_sandbox import BOOKINGS, a_sandbox, finish, shown, start

pytestmark = pytest.mark.vm

PLAN = {
    "title": "Does the bookings database run in a real guest?",
    "lab": "lab.yaml",
    "guest": BOOKINGS,
    "shapes": [{"name": "two", "vcpus": 2, "memory": "320 MiB"}],
    "workloads": [{"name": "bookings", "use": "bookings", "with": {"bookings": 5000}, "threads": [2]}],
    "design": {"blocks": 1},
    "measure": {
        "warm-up": {"at-least": "2 s", "at-most": "6 s"},
        "steady": {"at-least": "8 s", "at-most": "8 s"},
    },
}


def test_bookings_is_measured_in_a_real_guest(tmp_path: Path) -> None:
    with a_sandbox("python") as sandbox:
        (tmp_path / "plan.yaml").write_text(yaml.safe_dump(PLAN))
        (tmp_path / "lab.yaml").write_text(sandbox.lab_text)
        output, errors = finish(process := start(tmp_path, "run", "plan.yaml"))
        assert process.returncode in {0, 1}, errors + output
        told = shown(tmp_path, "last", "1")
    trial = told["trial"]
    assert trial["outcome"] in {"measured", "unsteady"}, trial["reason"]
    counts = told["series"]["throughput"]["value"]
    assert len(counts) >= 10
    assert counts == sorted(counts)
    assert counts[-1] > counts[1] > 0
    assert trial["workload_sha256"].keys() == {"bookings.py"}
