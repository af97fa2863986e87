"""What can happen to a night on real guests while nobody looks: the run is killed, or the guest's owner comes by."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import yaml
from vm_runs import TWO, workload
from vm_sandbox import BOOKINGS, Sandbox, finish, read_until, shown, start

pytestmark = pytest.mark.vm

#: What comes out of it matters to nobody here.
MEASURE = {
    "every": "250 ms",
    "warm-up": {"at-least": "500 ms", "at-most": "1 s"},
    "steady": {"at-least": "2 s", "at-most": "2 s", "until-within": "50 %"},
}


def declare(folder: Path, sandbox: Sandbox) -> None:
    """A plan of one trial, and the lab."""
    declared = {
        "title": "What is left in the morning?",
        "lab": "lab.yaml",
        "guest": BOOKINGS,
        "shapes": [TWO],
        "workloads": [workload("work")],
        "design": {"blocks": 1},
        "measure": MEASURE,
    }
    (folder / "plan.yaml").write_text(yaml.safe_dump(declared))
    (folder / "lab.yaml").write_text(sandbox.lab_text)


def killed(folder: Path, part: str, *arguments: str) -> None:
    """Run the command, and kill it once it has said something."""
    process = start(folder, *arguments)
    read_until(process, part)
    process.kill()
    finish(process)


def restored(folder: Path) -> None:
    """Have the last run's guest put back."""
    process = start(folder, "restore", "last")
    _, errors = finish(process)
    assert process.returncode == 0, errors


def leases(folder: Path) -> set[str]:
    """What is held."""
    return {place.name for place in folder.iterdir() if not place.name.startswith(".")}


def test_a_run_killed_in_the_middle_of_a_trial_is_resumed_and_its_data_are_kept_apart(
    sandbox: Sandbox, tmp_path: Path, own_leases: Path
) -> None:
    declare(tmp_path, sandbox)
    before = sandbox.definition(BOOKINGS)
    killed(tmp_path, "    warm up", "run", "plan.yaml")
    assert sandbox.is_on(BOOKINGS)
    assert leases(own_leases) == {"host", f"guest-libvirt-{BOOKINGS}"}

    resumed = start(tmp_path, "resume", "last")
    output, errors = finish(resumed)
    assert resumed.returncode in {0, 1}, errors
    assert "it was taken over" in " ".join(output.split())
    assert sandbox.definition(BOOKINGS) == before
    assert not sandbox.is_on(BOOKINGS)
    assert leases(own_leases) == set()
    told = shown(tmp_path, "last")
    assert (told["state"], len(told["trials"])) == ("done", 1)
    (run,) = (tmp_path / "results").iterdir()
    (apart,) = (run / "discarded").iterdir()
    assert len((apart / "vcpu.jsonl").read_text().splitlines()) >= 1
    verified = start(tmp_path, "verify", "last", "--json")
    output, errors = finish(verified)
    assert verified.returncode == 0, errors
    assert json.loads(output)["findings"] == []


def test_a_definition_that_its_owner_has_changed_meanwhile_stays_the_owners(
    sandbox: Sandbox, tmp_path: Path, own_leases: Path
) -> None:
    declare(tmp_path, sandbox)
    before = sandbox.definition(BOOKINGS)
    killed(tmp_path, "trial 1/1", "run", "plan.yaml")
    restored(tmp_path)
    assert sandbox.definition(BOOKINGS) == before

    title = "<title>Bookings, with more memory</title>"
    grown = re.sub(r"(<(?:currentM|m)emory unit='KiB'>)\d+", r"\g<1>200704", sandbox.definition(BOOKINGS))
    sandbox.define(grown.replace("</name>", f"</name>\n  {title}"))
    owners = sandbox.definition(BOOKINGS)
    assert (title in owners, owners.count(">200704<")) == (True, 2)

    refused = start(tmp_path, "resume", "last")
    _, errors = finish(refused)
    assert refused.returncode == 2, errors
    assert "200704" in errors
    assert title in errors
    assert "--accept-changes" in errors
    assert (sandbox.definition(BOOKINGS), sandbox.is_on(BOOKINGS), leases(own_leases)) == (owners, False, set())

    killed(tmp_path, "    start", "resume", "last", "--accept-changes")
    shaped = sandbox.definition(BOOKINGS)
    assert title in shaped, "the shape is made from what is the owner's now"
    assert shaped != owners
    restored(tmp_path)
    assert (sandbox.definition(BOOKINGS), sandbox.is_on(BOOKINGS), leases(own_leases)) == (owners, False, set())
    (run,) = (tmp_path / "results").iterdir()
    kept = [path.read_text() for path in run.rglob("domain.xml")]
    assert owners in kept
    assert len(kept) == 2, "what it was at first is kept beside it"
    sandbox.define(before)
