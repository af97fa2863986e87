"""Commands over a real login: SSH quotes, carries and ends them as child processes would be."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from command_lab import DEFINITION, FakeLab, alive, commands, eventually, shape
from ssh_machines import Machine

from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.ports import Hypervisor, SavedGuest, Shell
from orchestrator.errors import HostFault, RestoreError

pytestmark = pytest.mark.real


class ToTheMachine:
    """Leads a login to the lab's host to the machine of the test."""

    def __init__(self, machine: Machine, lab: FakeLab) -> None:
        self._access, self._connector = machine.access(), SshConnector(lab.clock)

    def connect(self, access: SshAccess, *, machine: str, timeout_s: float) -> Shell:
        assert access.address == "192.0.2.20"
        return self._connector.connect(self._access, machine=machine, timeout_s=timeout_s)


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    (tmp_path / "machine").mkdir()
    made = Machine(tmp_path / "machine")
    yield made
    made.close()


@pytest.fixture
def lab(tmp_path: Path, machine: Machine) -> FakeLab:
    (tmp_path / "quay").mkdir()
    made = FakeLab(tmp_path / "quay")
    made.connector = ToTheMachine(machine, made)
    return made


def opened(lab: FakeLab, **changed: object) -> Hypervisor:
    return lab.open(**{"run-on": "host", **changed})


def test_a_guest_is_reshaped_counted_and_put_back(lab: FakeLab) -> None:
    odd = "a 'b' \"c\" $(touch injected) ; * \\ \n{domain}"
    words = ["sh", "-c", 'printf %s "$1" > told', "sh", odd]
    hypervisor = opened(lab, plug=words, reshape=_live(lab))
    saved = hypervisor.save()
    assert saved.files == {"definition": DEFINITION}
    hypervisor.reshape(shape(2, reshape="live"), saved)
    hypervisor.start()
    assert len(hypervisor.counters().values) == 4
    hypervisor.plug()
    assert (lab.folder / "told").read_text() == odd.replace("{domain}", "bookings-db")
    assert not (lab.folder / "injected").exists()
    hypervisor.restore(saved)
    assert lab.definition() == DEFINITION
    hypervisor.close()


def test_a_kept_definition_that_is_no_text_is_refused_in_words(lab: FakeLab) -> None:
    """Kept by commands on the controller, perhaps, and put back after the lab was changed to run them on the host."""
    hypervisor = opened(lab)
    with pytest.raises(RestoreError, match=r"9 bytes that are not UTF-8 text \(byte 4 is not\).*run-on: controller"):
        hypervisor.restore(SavedGuest({"definition": b"text\xff\xfe\x00\n\n"}, running=False))
    assert lab.definition() == DEFINITION
    hypervisor.close()


def _live(lab: FakeLab) -> dict[str, object]:
    return commands(lab.folder)["reshape"] | {"live": ["--live"]}


def test_what_hangs_on_the_host_is_ended_there(lab: FakeLab) -> None:
    hypervisor = opened(lab, limit="500 ms")
    lab.moods(describe="hangs")
    with pytest.raises(HostFault, match="did not end within 500 ms and was ended"):
        hypervisor.describe()
    assert eventually(lambda: alive(lab.pids("hanging")) == [])
    lab.moods(describe="floods")
    with pytest.raises(HostFault, match="printed more than 4 MiB"):
        opened(lab).describe()
    hypervisor.close()


def test_a_host_that_does_not_let_the_run_in_is_told_apart_from_one_that_has_gone(lab: FakeLab, mocker) -> None:
    hypervisor = opened(lab)
    mocker.patch.object(lab.connector, "connect", side_effect=HostFault("no key is good enough", barred=True))
    with pytest.raises(HostFault, match="describe: no key is good enough") as raised:
        hypervisor.describe()
    assert (raised.value.barred, raised.value.silent) == (True, False)
    hypervisor.close()


def test_a_host_that_has_gone_is_said(lab: FakeLab, machine: Machine) -> None:
    hypervisor = opened(lab)
    hypervisor.describe()
    machine.kill()
    with pytest.raises(HostFault, match="describe: host "):
        hypervisor.describe()
    hypervisor.close()
