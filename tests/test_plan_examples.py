"""The plans and labs that come with the project: each loads and is what its comments say; the reference is whole."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from orchestrator.core.design.fields import Slot
from orchestrator.core.design.fit import refusals
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import trials
from orchestrator.errors import InputError
from orchestrator.sandbox.lab_file import Login, SandboxLab
from orchestrator.wiring.plans import Loaded, load_plan

PLANS = Path(__file__).parents[1] / "plans"
REFERENCE = (PLANS / "README.md").read_text()


SANDBOX = Path("labs") / "sandbox.yaml"  # made by `trialbed sandbox up`, and not kept with the project


def loaded_with_its_lab(path: Path, folder: Path) -> Loaded:
    """A plan with the lab that it names, or with one such as `trialbed sandbox up` would write."""
    if f"lab: {SANDBOX}\n" not in path.read_text():
        return load_plan(path, None)
    key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIKBR6SWECa7hPSfnaISf"
    logins = {name: Login(22001 + n, "root", key) for n, name in enumerate(("bookings-1", "timetable-1"))}
    made = SandboxLab("qemu:///session", folder / "identity", Login(22000, "bench", key), logins)
    lab = folder / "sandbox.yaml"
    lab.write_text(made.text())
    return load_plan(path, lab)


@pytest.mark.parametrize("path", sorted(PLANS.glob("*.yaml")), ids=lambda path: path.name)
def test_every_plan_loads_with_the_real_drivers(path: Path, tmp_path: Path) -> None:
    loaded = loaded_with_its_lab(path, tmp_path)
    assert loaded.plan_bytes == path.read_bytes()
    assert refusals(loaded.lab, loaded.plan.guest) == []
    assert trials(loaded.plan)


def test_every_lab_is_used_by_a_plan() -> None:
    used = {yaml.safe_load(path.read_text())["lab"] for path in PLANS.glob("*.yaml")}
    assert used == {f"labs/{path.name}" for path in (PLANS / "labs").glob("*.yaml")} | {SANDBOX.as_posix()}


def test_a_plan_whose_lab_is_not_made_yet_says_how_to_make_it(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_bytes((PLANS / "two-sizes.yaml").read_bytes())
    with pytest.raises(InputError, match="trialbed sandbox up"):
        load_plan(tmp_path / "plan.yaml", None)


def test_the_first_plan_fits_into_its_time() -> None:
    """Twelve trials of 3 s to 8 s warm-up and 12 s measuring; most warm up in the least time."""
    plan = load_plan(PLANS / "first.yaml", None).plan
    usual = len(trials(plan)) * (plan.measure.warm_up.at_least + plan.measure.steady.at_most + 2)
    assert len(trials(plan)) == 12
    assert usual <= 4.5 * 60


@pytest.mark.parametrize("model", [Plan, Lab])
def test_the_reference_names_every_field(model: type[Plan | Lab]) -> None:
    keys = {key for slot in Slot.of(model).walk() for key in slot.fields}
    assert [key for key in sorted(keys) if f"`{key}`" not in REFERENCE] == []


@pytest.mark.parametrize("model", [Plan, Lab])
def test_the_reference_states_every_default(model: type[Plan | Lab]) -> None:
    """Each scalar default stands in the row of its key, in the units of the file."""
    rows = [line for line in REFERENCE.splitlines() if line.startswith("| `")]
    for slot in Slot.of(model).walk():
        for name, info in slot.model.model_fields.items() if slot.model is not None else ():
            key, default = info.alias or name, info.default
            field = slot.fields[key]
            if not field.optional or default is None or not isinstance(default, str | int | float):
                continue
            text = (
                field.quantity.write(default)
                if field.quantity is not None
                else str(default).lower()
                if isinstance(default, bool)
                else str(default)
            )
            assert any(row.startswith(f"| `{key}` ") and f"| {text} " in row for row in rows), f"{key}: {text}"


def test_the_yaml_in_the_reference_is_yaml() -> None:
    blocks = [part.split("```")[0] for part in REFERENCE.split("```yaml\n")[1:]]
    assert len(blocks) >= 3
    for block in blocks:
        assert isinstance(yaml.safe_load(block), dict)


@pytest.mark.real
def test_the_fare_search_prints_what_the_reader_of_its_plan_reads() -> None:
    reader = load_plan(PLANS / "own-command.yaml", None).plan.workloads[0].reads_with
    assert reader.pattern is not None
    import re

    process = subprocess.Popen(
        [sys.executable, str(PLANS / "fare_search.py"), "--workers", "2"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None
        found = re.match(reader.pattern, process.stdout.readline().rstrip("\n"))
    finally:
        process.terminate()
        process.communicate(timeout=10)
    assert found is not None
    assert float(found["value"]) > 100
    assert 0.5 < float(found["time"]) < 5
