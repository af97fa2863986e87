"""Whatever a command does instead of its work, one message says which, how it ended, what it said and what to do."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_lab import FakeLab, alive, commands, eventually

from orchestrator.adapters.local_shell import LocalShell
from orchestrator.core.design.lab import Lab
from orchestrator.engine.ports import Hypervisor
from orchestrator.errors import HostFault, InputError, StageError
from orchestrator.hypervisors.command.driver import CommandDriver

pytestmark = pytest.mark.real


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[FakeLab]:
    made = FakeLab(tmp_path)
    yield made
    if (tmp_path / "hanging").exists():
        for pid in alive(made.pids("hanging")):
            os.kill(pid, signal.SIGKILL)


def fault(hypervisor: Hypervisor, action: str = "describe") -> HostFault:
    with pytest.raises(HostFault) as caught:
        getattr(hypervisor, action)()
    said = str(caught.value)
    assert said.isprintable(), said
    assert len(said) < 1500
    return caught.value


CALL = "fake_hypervisor.py describe bookings-db"
CASES = {
    "fails": [
        "describe: '",
        CALL,
        "ended with exit status 3; its last words: 'first words\\nno such \\x1b[31mdatastore'",
    ],
    "is-busy": ["exit status 75", "the store is locked"],
    "says-no": ["exit status 1; its last words: 'denied, on standard output'"],
    "says-nothing": ["exit status 1; it said nothing. Run it by hand in '/", "on the controller to see more"],
    "floods": [CALL, "printed more than 4 MiB and was ended; print less"],
    "rubbish": ["cannot be read: vcpus: it is no JSON document (", "compare the reader in the lab with what '", CALL],
    "prints-nothing": ["cannot be read: vcpus: it is no JSON document ("],
    "is-strange": ["state: 'hibernated' is none of the states that the lab lists: on, off, held, panicked"],
}


@pytest.mark.parametrize("run_on", ["controller", "host"])
@pytest.mark.parametrize(("mood", "words"), CASES.items())
def test_a_command_that_misbehaves_is_named(lab: FakeLab, run_on: str, mood: str, words: list[str]) -> None:
    hypervisor = lab.open(**{"run-on": run_on, "folder": str(lab.folder)})
    lab.moods(describe=mood)
    error = fault(hypervisor)
    said = str(error)
    for word in words:
        assert (word if run_on == "controller" else word.replace("controller", "host")) in said, said
    assert error.may_pass == (mood == "is-busy")
    hypervisor.close()


def test_a_command_that_a_signal_ended_says_which(lab: FakeLab) -> None:
    lab.moods(describe="dies")
    assert "was ended by signal 9 (SIGKILL)" in str(fault(lab.open()))


def test_a_command_that_a_signal_ended_on_the_host_says_so(lab: FakeLab) -> None:
    lab.moods(describe="dies")
    hypervisor = lab.open(**{"run-on": "host"})
    assert f"was ended by a signal in '{lab.folder}' on the host" in str(fault(hypervisor))
    hypervisor.close()


@pytest.mark.parametrize("run_on", ["controller", "host"])
@pytest.mark.parametrize("mood", ["hangs", "will-not-end"])
def test_a_command_that_hangs_is_ended_with_what_it_started(lab: FakeLab, run_on: str, mood: str) -> None:
    lab.moods(describe=mood)
    hypervisor = lab.open(**{"run-on": run_on, "folder": str(lab.folder)}, limit="2 s")  # it has to have begun by then
    began_s = lab.clock.monotonic()
    error = fault(hypervisor)
    assert "did not end within 2 s and was ended; it said nothing. Run it by hand" in str(error)
    assert "raise limit in the lab" in str(error)
    assert error.may_pass
    assert lab.clock.monotonic() - began_s < 8
    pids = lab.pids("hanging")
    assert len(pids) == 2
    assert eventually(lambda: alive(pids) == [])
    hypervisor.close()


def test_a_reading_has_a_limit_of_its_own(lab: FakeLab) -> None:
    hypervisor = lab.open(counters=commands(lab.folder)["counters"] | {"limit": "300 ms"})
    hypervisor.start()
    lab.moods(counters="hangs")
    assert "counters: '" in (said := str(fault(hypervisor, "counters")))
    assert "did not end within 300 ms" in said


@pytest.mark.parametrize(
    ("mood", "words"),
    [
        ("prints-nothing", "run and wait: no line of it tells of a vCPU"),
        ("rubbish", "run and wait: no line of it tells of a vCPU"),
        ("fails", "counters: '"),
    ],
)
def test_counters_that_cannot_be_read(lab: FakeLab, mood: str, words: str) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    lab.moods(counters=mood)
    assert words in str(fault(hypervisor, "counters"))


def test_an_empty_definition_is_none(lab: FakeLab) -> None:
    lab.moods(save="prints-nothing")
    assert "it has to print the guest's whole definition" in str(fault(lab.open(), "save"))


def test_a_definition_of_bytes_is_kept_on_the_controller_and_refused_over_a_login(lab: FakeLab) -> None:
    lab.moods(save="binary")
    assert lab.open().save().files == {"definition": b"\xff\xfe"}
    assert "only text arrives unchanged" in str(fault(lab.open(**{"run-on": "host"}), "save"))


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (
            ["no-such-program", "{domain}"],
            "save: there is no program 'no-such-program'; install it, or correct its path",
        ),
        (["./bookings-db.json"], "'./bookings-db.json' may not be run; make it executable, or name its interpreter"),
        (["./script"], "'./script' cannot be started (Exec format error)"),
        (["echo", "a\0b"], "cannot be started (embedded null byte)"),
    ],
)
def test_a_program_that_cannot_be_started(lab: FakeLab, argv: list[str], words: str) -> None:
    script = lab.folder / "script"
    script.write_bytes(b"\x00\x01")
    script.chmod(0o755)
    assert words in str(fault(lab.open(save=argv), "save"))


def test_a_folder_that_is_not_there(lab: FakeLab) -> None:
    said = str(fault(lab.open(folder=str(lab.folder / "elsewhere"))))
    assert f"describe: there is no folder '{lab.folder}/elsewhere'; correct folder in the lab" in said


# ------------------------------------------------------------------------------------------------------ the host


def test_one_login_serves_all_commands_and_is_made_anew_after_it_was_lost(lab: FakeLab, mocker: object) -> None:
    hypervisor = lab.open(**{"run-on": "host"})
    hypervisor.describe()
    hypervisor.save()
    assert len(lab.connector.opened) == 1
    lost = mocker.patch.object(lab.connector.opened[0], "run", side_effect=StageError("the line is cut", may_pass=True))  # type: ignore[attr-defined]
    error = fault(hypervisor)
    assert (str(error), error.may_pass) == ("describe: the line is cut", True)
    lost.assert_called_once()
    hypervisor.describe()
    assert len(lab.connector.opened) == 2
    hypervisor.close()
    hypervisor.close()


def test_a_login_on_which_nothing_can_be_run_is_closed(lab: FakeLab, mocker: object) -> None:
    hypervisor = lab.open(**{"run-on": "host"})
    mocker.patch.object(LocalShell, "run", side_effect=StageError("the line is cut", may_pass=True))  # type: ignore[attr-defined]
    closed = mocker.patch.object(LocalShell, "close")  # type: ignore[attr-defined]
    assert str(fault(hypervisor)) == "describe: the line is cut"
    closed.assert_called_once()


def test_a_host_without_timeout_is_served_all_the_same(lab: FakeLab, monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine with nothing but sh in its path: programs are named by theirs."""
    programs = lab.folder / "bin"
    programs.mkdir()
    (programs / "sh").symlink_to("/bin/sh")
    monkeypatch.setenv("PATH", str(programs))
    hypervisor = lab.open(**{"run-on": "host"})
    assert not hypervisor.describe().running
    hypervisor.close()


@pytest.mark.parametrize(
    ("host", "guest", "field", "words"),
    [
        ({"run-on": "host"}, {"ssh": {"address": "192.0.2.21", "user": "bench"}}, "hosts.quay.ssh", "run-on: host"),
        ({}, {}, "guests.bookings-1.ssh", "the load inside it"),
    ],
)
def test_a_login_that_the_lab_lacks_is_named(
    tmp_path: Path, host: dict[str, str], guest: dict[str, object], field: str, words: str
) -> None:
    lab = Lab.model_validate(
        {
            "hosts": {"quay": {"hypervisor": "command", "with": commands(tmp_path) | host}},
            "guests": {"bookings-1": {"host": "quay", **guest}},
        }
    )
    fake = FakeLab(tmp_path)
    with pytest.raises(InputError) as caught:
        CommandDriver().open("bookings-1", lab, fake.clock, fake.connector)
    (problem,) = caught.value.problems
    assert (problem.field, words in problem.message) == (field, True)
