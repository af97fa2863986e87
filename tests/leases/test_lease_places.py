"""Where a host's leases are kept, by what the lab says of it, and which a run needs."""

from __future__ import annotations

from pathlib import Path

import pytest
from lease_places import local
from pydantic import ValidationError

from orchestrator.adapters.leases import Place, Places, wanted_of
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.plan import Plan
from orchestrator.engine.ports import Shell

LOGINS = {"here": "own", "libvirt": "lab", "command": "lab", "simulated": "none"}
SSH = {"address": "192.0.2.10", "user": "bench"}


class Doors:
    """Notes where it was asked to log in."""

    def __init__(self) -> None:
        self.opened: list[tuple[str, str]] = []

    def obstacle(self, access: SshAccess, *, machine: str) -> str | None:  # noqa: ARG002 - the protocol's
        return None

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> Shell:  # noqa: ARG002 - the protocol's
        self.opened.append((access.address, machine))
        return local()


def lab(**host: object) -> Lab:
    return Lab.model_validate(
        {
            "hosts": {"bench-1": host},
            "guests": {
                "bookings-1": {"host": "bench-1", "domain": "vm 12/bookings~1"},
                "load-1": {"host": "bench-1"},
            },
        }
    )


def place(doors: Doors, **host: object) -> Place | None:
    return Places(LOGINS, doors, local).of(lab(**host), "bench-1")  # type: ignore[arg-type]


def test_a_host_with_a_login_keeps_its_leases_itself(own_leases: Path) -> None:
    doors = Doors()
    found = place(doors, hypervisor="libvirt", uri="qemu+ssh://bench@192.0.2.10/system", ssh=SSH)
    assert found is not None
    assert (found.folder, found.remark) == (str(own_leases), "")
    found.log_in().close()
    assert doors.opened == [("192.0.2.10", "host")]


def test_the_folder_is_the_labs_then_the_variables_then_one_that_outlasts_a_reboot(
    own_leases: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def folder(**host: object) -> str | None:
        found = place(Doors(), hypervisor="here", **host)
        return found and found.folder

    assert folder(leases="/srv/leases") == "/srv/leases"
    assert folder() == str(own_leases)
    monkeypatch.delenv("TRIALBED_LEASES")
    assert folder() == "/var/tmp/trialbed-leases"
    with pytest.raises(ValidationError, match="'leases' is no absolute path"):
        lab(hypervisor="here", leases="leases")


@pytest.mark.parametrize("uri", ["qemu:///system", "qemu+unix:///session?socket=/run/x", "qemu+ssh://localhost/system"])
def test_a_hypervisor_of_this_machine_shares_its_leases_with_everything_else_here(own_leases: Path, uri: str) -> None:
    found = place(Doors(), hypervisor="libvirt", uri=uri)
    assert found is not None
    assert (found.folder, found.remark) == (str(own_leases), "")


def test_a_host_without_a_login_has_leases_on_this_machine_only_and_says_so(own_leases: Path) -> None:
    doors = Doors()
    by_uri = place(doors, hypervisor="libvirt", uri="qemu+tls://bench@bench-1.example/system")
    by_name = place(doors, hypervisor="command")
    assert by_uri is not None
    assert by_name is not None
    assert [found.folder for found in (by_uri, by_name)] == [f"{own_leases}.bench-1.example", f"{own_leases}.bench-1"]
    assert "runs from other machines are not seen" in by_uri.remark
    by_uri.log_in().close()
    assert doors.opened == []


def test_a_host_that_is_a_model_has_no_leases() -> None:
    assert place(Doors(), hypervisor="simulated") is None


def test_a_run_needs_its_guest_and_those_of_its_neighbours_by_their_names_on_the_hypervisor() -> None:
    plan = Plan.model_validate(
        {
            "title": "Beside another",
            "lab": "lab.yaml",
            "guest": "bookings-1",
            "shapes": [{"name": "one", "vcpus": 1, "memory": "1 GiB"}],
            "workloads": [{"name": "w", "use": "bookings", "threads": [1]}],
            "neighbours": [{"name": "n", "guest": "load-1", "loops": 1}],
        }
    )
    assert wanted_of(plan, lab(hypervisor="libvirt", uri="qemu:///system")).names == (
        "guest-libvirt-vm%2012%2Fbookings%7E1",
        "guest-libvirt-load-1",
    )
