"""A driver that comes with a package of its own: found by its entry point, checked like the built-in ones."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import orchestrator
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor

PACKAGE = Path(__file__).parents[1] / "data" / "third_party_driver"
ROOT = Path(orchestrator.__file__).parents[1]

PLAN = """\
title: How many vCPUs does the timetable server need?
lab: lab.yaml
guest: timetable-1
shapes: [{name: one, vcpus: 1, memory: 512 MiB}, {name: two, vcpus: 2, memory: 512 MiB, pin: [0, 1]}]
workloads: [{name: bookings, use: bookings, threads: [1, 2]}]
design: {blocks: 3}
measure: {every: 1 s}
decide: {margin: 3 %}
"""
LAB = """\
hosts:
  quay-1:
    hypervisor: quay
    with: {berths: 4, largest: 2 GiB}
guests:
  timetable-1:
    host: quay-1
    ssh: {address: 192.0.2.31, user: bench}
    may-power-cycle: true
"""


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """A folder as an installer leaves it: the package, and metadata by the entry points specification (PyPA)."""
    site = tmp_path / "site"
    facts = tomllib.loads((PACKAGE / "pyproject.toml").read_text())["project"]
    metadata = site / f"{facts['name'].replace('-', '_')}-{facts['version']}.dist-info"
    metadata.mkdir(parents=True)
    named = f"Metadata-Version: 2.1\nName: {facts['name']}\nVersion: {facts['version']}\n"
    (metadata / "METADATA").write_text(named)
    groups = facts["entry-points"].items()
    lines = [f"[{group}]\n" + "".join(f"{k} = {v}\n" for k, v in points.items()) for group, points in groups]
    (metadata / "entry_points.txt").write_text("\n".join(lines))
    (site / "quay").symlink_to(PACKAGE / "quay")
    return site


def trialbed(folder: Path, site: Path | None, *words: str) -> subprocess.CompletedProcess[str]:
    paths = [str(path) for path in (site, ROOT) if path is not None]
    return subprocess.run(
        [sys.executable, "-m", "orchestrator", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def write(folder: Path, lab: str = LAB, plan: str = PLAN) -> None:
    (folder / "plan.yaml").write_text(plan)
    (folder / "lab.yaml").write_text(lab)


pytestmark = pytest.mark.real


def test_a_lab_may_name_it_once_it_is_installed(tmp_path: Path, installed: Path) -> None:
    write(tmp_path)
    done = trialbed(tmp_path, installed, "check", "plan.yaml")
    assert (done.returncode, done.stderr) == (0, "")
    without = trialbed(tmp_path, None, "check", "plan.yaml")
    assert without.returncode == 2
    assert "lab.yaml:3:17: hosts.quay-1.hypervisor: unknown hypervisor driver 'quay'" in without.stderr
    assert "install its package" in without.stderr


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("berths: 4", "berths: 400", "lab.yaml:4:20: hosts.quay-1.with.berths: 400 is out of range; allowed is"),
        ("berths: 4, ", "", "lab.yaml:4:11: hosts.quay-1.with.berths: is missing"),
        (
            "largest",
            "largets",
            "lab.yaml:4:23: hosts.quay-1.with.largets: unknown key 'largets'; did you mean 'largest'",
        ),
        ("2 GiB", "2 GB", "lab.yaml:4:32: hosts.quay-1.with.largest: '2 GB' is not a size"),
    ],
)
def test_its_settings_are_checked_at_their_places(
    tmp_path: Path, installed: Path, old: str, new: str, words: str
) -> None:
    assert LAB.count(old) == 1
    write(tmp_path, LAB.replace(old, new))
    done = trialbed(tmp_path, installed, "check", "plan.yaml")
    assert done.returncode == 2
    assert words in done.stderr


def test_a_plan_is_checked_against_its_features(tmp_path: Path, installed: Path) -> None:
    write(tmp_path, plan=PLAN.replace("pin: [0, 1]", "quota: 50 %"))
    done = trialbed(tmp_path, installed, "check", "plan.yaml")
    assert done.returncode == 2
    assert "the hypervisor driver quay cannot set quota; besides vcpus and memory it sets pin" in done.stderr


def test_a_package_that_does_not_load_is_named_and_is_no_defect_of_ours(tmp_path: Path, installed: Path) -> None:
    write(tmp_path)
    (installed / "quay").unlink()
    done = trialbed(tmp_path, installed, "check", "plan.yaml")
    assert done.returncode == 2
    assert done.stderr == (
        "trialbed: hypervisor driver quay: the installed package quay-driver registers it, and it does not load "
        "(ModuleNotFoundError: No module named 'quay'); mend that package, or uninstall it\n"
    )


def test_it_keeps_the_promises_of_a_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(PACKAGE))
    from quay.driver import QuayDriver

    guest = {"host": "quay-1", "ssh": {"address": "192.0.2.31", "user": "bench"}}
    lab = Lab.model_validate(
        {"hosts": {"quay-1": {"hypervisor": "quay", "with": {"berths": 4}}}, "guests": {"timetable-1": guest}}
    )
    clock = VirtualClock()
    hypervisor = QuayDriver().open("timetable-1", lab, clock, _Nowhere()).hypervisor
    sizes = ({"vcpus": 1, "memory": "1 GiB"}, {"vcpus": 2, "memory": "2 GiB", "pin": [0]})
    shapes = [Shape.model_validate({"name": f"s{n}", **size}) for n, size in enumerate(sizes)]
    check_hypervisor(Subject(hypervisor, _Nowhere(), clock, shapes, boots=False))


class _Nowhere:
    def connect(self, access: object, *, machine: str, timeout_s: float) -> object:
        raise AssertionError(f"a paper guest is not logged in to: {access}, {machine}, {timeout_s}")
