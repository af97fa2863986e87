"""The driver ``command`` against a hypervisor that does what it is told: power, size, definition, counters."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_lab import DEFINITION, FakeLab, alive, commands, eventually, shape

from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import GuestFault, HostFault, RestoreError
from orchestrator.hypervisors.command import hypervisor as hypervisor_module
from orchestrator.testing.conformance_hypervisor import Subject, check_hypervisor

pytestmark = pytest.mark.real


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[FakeLab]:
    made = FakeLab(tmp_path)
    yield made
    for file in ("daemon", "hanging"):
        for pid in alive(made.pids(file)) if (tmp_path / file).exists() else []:
            os.kill(pid, signal.SIGKILL)


SHAPES = (shape(1, "256 MiB"), shape(2, "512 MiB", topology={"cores": 2}, quota="150 %"), shape(1, "1 GiB", pin=[1, 3]))


@pytest.mark.parametrize("run_on", ["controller", "host"])
def test_it_keeps_the_promises_of_a_driver(lab: FakeLab, run_on: str) -> None:
    folder = str(lab.folder) if run_on == "controller" else "."
    hypervisor = lab.open(**{"run-on": run_on}, folder=folder)
    subject = Subject(hypervisor, lab.connector, lab.clock, SHAPES, boots=False)
    check_hypervisor(subject)
    assert lab.definition() == DEFINITION
    assert bool(lab.connector.opened) == (run_on == "host")


# ----------------------------------------------------------------------------------------------------------- size


def test_a_guest_is_described_by_its_readers(lab: FakeLab) -> None:
    described = lab.open().describe()
    assert (described.vcpus, described.memory, described.running) == (1, 256 * 2**20, False)
    assert (described.kind, described.host_cpus, described.max_vcpus) == ("virtual machine", 4, None)
    assert "run in" in described.remarks[0]


def test_what_runs_the_guest_is_told_by_commands_of_the_lab(lab: FakeLab) -> None:
    told = "print('quay 1.2\\nbuilt somewhere')"
    hypervisor = lab.open(
        facts={"hypervisor-version": [sys.executable, "-c", told], "machine-type": ["echo", "{domain}"]}
    )
    saved = hypervisor.save()
    assert hypervisor.facts(saved) == {"hypervisor_version": "quay 1.2", "machine_type": "bookings-db"}
    assert lab.open().facts(saved) == {}
    with pytest.raises(HostFault, match=r"facts.other-guests: the command printed nothing"):
        lab.open(facts={"other-guests": ["true"]}).facts(saved)


def test_more_than_the_readers_say_is_refused_beforehand(lab: FakeLab) -> None:
    most = {"max-vcpus": {"json": "host.cpus"}, "max-memory": {"json": "size.memory", "unit": "KiB"}}
    hypervisor = lab.open(describe=commands(lab.folder)["describe"] | most)
    lab.calls()
    assert hypervisor.refusal(shape(4, "256 MiB")) is None
    assert hypervisor.refusal(shape(5)) == "shape v5 asks for 5 vCPUs; describe says that 4 are the most"
    assert "asks for 512 MiB; describe says that 256 MiB is the most" in (hypervisor.refusal(shape(2)) or "")
    assert "the lab's reshape has no arguments for that" in (hypervisor.refusal(shape(2, shares=50)) or "")
    assert set(lab.calls()) == {"describe"}
    with pytest.raises(HostFault, match="4 are the most"):
        hypervisor.reshape(shape(5), hypervisor.save())


def test_physical_cpus_are_those_of_the_machine_where_no_reader_tells(lab: FakeLab) -> None:
    """Against the count that Linux itself gives (/proc/cpuinfo)."""
    reader = commands(lab.folder)["describe"]
    del reader["host-cpus"]
    listed = Path("/proc/cpuinfo").read_text().count("processor\t:")
    assert lab.open(describe=reader).describe().host_cpus == listed


def test_a_shape_is_what_the_command_is_told(lab: FakeLab) -> None:
    hypervisor = lab.open()
    saved = hypervisor.save()
    lab.calls()
    hypervisor.reshape(shape(4, "1.5 GiB", topology={"sockets": 2, "cores": 2}, quota="150 %", pin=[3, 0]), saved)
    (told,) = [call for call in lab.calls() if call.startswith("reshape")]
    assert told == "reshape 4 1536 --pin 3,0 --quota=150% --topology 2:2:1"
    assert hypervisor.describe().vcpus == 4


def test_a_shape_is_made_from_the_saved_definition_whatever_was_before(lab: FakeLab) -> None:
    hypervisor = lab.open()
    saved = hypervisor.save()
    hypervisor.reshape(shape(2, pin=[1]), saved)
    once = lab.definition()
    hypervisor.reshape(shape(4, "1 GiB", quota="50 %"), saved)
    hypervisor.reshape(shape(2, pin=[1]), saved)
    assert lab.definition() == once


def test_a_feature_without_arguments_is_refused_before_anything_is_changed(lab: FakeLab) -> None:
    hypervisor = lab.open()
    assert hypervisor.features == {"topology", "quota", "pin"}
    saved = hypervisor.save()
    lab.calls()
    with pytest.raises(HostFault, match="shape v2 asks for live, shares, and the lab's reshape has no arguments"):
        hypervisor.reshape(shape(2, shares=50, reshape="live"), saved)
    assert lab.calls() == []


def test_a_guest_that_is_on_is_not_reshaped(lab: FakeLab) -> None:
    hypervisor = lab.open()
    saved = hypervisor.save()
    hypervisor.start()
    with pytest.raises(HostFault, match="bookings-db is running; it is reshaped only while it is stopped"):
        hypervisor.reshape(shape(), saved)


def test_a_command_that_only_pretends_is_found_out(lab: FakeLab) -> None:
    hypervisor = lab.open(limit="1 s")
    saved = hypervisor.save()
    lab.moods(reshape="pretends", start="pretends")
    with pytest.raises(HostFault, match="reported success, but describe shows 1 vCPUs and 256 MiB where shape v2"):
        hypervisor.reshape(shape(2), saved)
    with pytest.raises(HostFault, match=r"start: the command reported success, but 1 s later guest .* still stopped"):
        hypervisor.start()


def test_vcpus_are_plugged_by_a_command_of_its_own(lab: FakeLab) -> None:
    words = commands(lab.folder)
    live = words["reshape"] | {"live": ["--boot-with-one"]}
    plug = [*words["reshape"]["command"][:3], "reshape", "{domain}", "{vcpus}", "{memory-mib}"]
    hypervisor = lab.open(reshape=live, plug=plug)
    saved = hypervisor.save()
    with pytest.raises(HostFault, match="has not been given a shape with reshape: live"):
        hypervisor.plug()
    hypervisor.reshape(shape(2, reshape="live"), saved)
    assert lab.calls()[-2:] == ["reshape 2 512 --boot-with-one", "describe"]
    hypervisor.start()
    hypervisor.plug()
    assert "reshape 2 512" in lab.calls()


# ---------------------------------------------------------------------------------------------------------- power


def test_a_guest_that_will_not_stop_is_switched_off_hard_where_that_is_allowed(lab: FakeLab) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    lab.moods(stop="pretends")
    lab.calls()
    hypervisor.stop(1.0)
    assert not hypervisor.describe().running
    assert "force-off" in lab.calls()


@pytest.mark.parametrize(("allowed", "advice"), [(False, "force-off: true"), (True, "no force-off command")])
def test_a_guest_that_will_not_stop_stays_on_where_force_is_not_allowed(
    lab: FakeLab, allowed: bool, advice: str
) -> None:
    hypervisor = lab.open(force_off=allowed, **({"force-off": None} if allowed else {}))
    hypervisor.start()
    lab.moods(stop="pretends")
    lab.calls()
    with pytest.raises(GuestFault, match=f"did not shut down within 500 ms, it is running; .*{advice}"):
        hypervisor.stop(0.5)
    assert hypervisor.describe().running
    assert "force-off" not in lab.calls()


def test_a_stop_that_may_work_later_is_asked_for_again_before_any_force(
    lab: FakeLab, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit status 75 is EX_TEMPFAIL of sysexits.h: try again later."""
    monkeypatch.setattr(hypervisor_module, "_ASK_AGAIN_S", 0.5)
    later = 'test -e asked && rm "$1.state" && exit; touch asked; exit 75'
    hypervisor = lab.open(stop=["sh", "-c", later, "sh", "{domain}"])
    hypervisor.start()
    lab.calls()
    hypervisor.stop(20.0)
    assert not hypervisor.describe().running
    assert "force-off" not in lab.calls()


def test_force_that_does_nothing_is_said(lab: FakeLab) -> None:
    hypervisor = lab.open(limit="1 s")
    hypervisor.start()
    lab.moods(stop="fails", force_off="pretends")
    with pytest.raises(HostFault, match=r"force-off: the command reported success, but guest .* still switched on"):
        hypervisor.stop(1.0)


def test_a_guest_that_goes_off_while_it_is_asked_to_is_off(lab: FakeLab) -> None:
    hypervisor = lab.open(force_off=False)
    hypervisor.start()
    words = ["sh", "-c", 'rm "$1.state"; exit 1', "sh", "{domain}"]
    lab.open(force_off=False, stop=words).stop(5.0)
    assert not hypervisor.describe().running


def test_what_a_start_leaves_running_is_neither_waited_for_nor_ended(lab: FakeLab) -> None:
    hypervisor = lab.open()
    lab.moods(start="leaves-a-daemon")
    began_s = lab.clock.monotonic()
    hypervisor.start()
    assert lab.clock.monotonic() - began_s < 5
    hypervisor.close()
    assert alive(lab.pids("daemon")) == lab.pids("daemon")


def test_what_a_start_leaves_running_may_go_on_printing(lab: FakeLab) -> None:
    """Without end, and into the start's own output: the start has ended all the same, with what it said until then."""
    noisy = ["sh", "-c", 'yes & echo $! > daemon; date +%s > "$1.state"', "sh", "{domain}"]
    hypervisor = lab.open(start=noisy)
    began_s = lab.clock.monotonic()
    hypervisor.start()
    assert lab.clock.monotonic() - began_s < 5
    assert hypervisor.describe().running


@pytest.mark.parametrize(
    ("word", "trouble"),
    [("held", "it is paused"), ("panicked", "its kernel has crashed"), ("off", "it is switched off")],
)
def test_a_guest_that_does_not_run_is_in_trouble_and_has_no_counters(lab: FakeLab, word: str, trouble: str) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    assert hypervisor.trouble() is None
    assert hypervisor.counters().values
    (lab.folder / "bookings-db.held").write_text(word)
    assert (hypervisor.trouble() or "").startswith(trouble)
    with pytest.raises(GuestFault, match=r"guest bookings-db is (paused|crashed|stopped)"):
        hypervisor.counters()
    assert hypervisor.describe().running == (word != "off")


# ------------------------------------------------------------------------------------------------------- counters


def test_counters_are_in_nanoseconds_beside_the_hosts_clock(lab: FakeLab) -> None:
    hypervisor = lab.open()
    hypervisor.reshape(shape(2), hypervisor.save())
    hypervisor.start()
    first = hypervisor.counters()
    lab.clock.sleep(0.2)
    second = hypervisor.counters()
    assert set(first.values) == {f"vcpu.{n}.{kind}_ns" for n in (0, 1) for kind in ("run", "wait")}
    wall_ns = second.source_ns - first.source_ns
    run = (second.values["vcpu.1.run_ns"] - first.values["vcpu.1.run_ns"]) / wall_ns
    assert 0.4 < run < 0.6
    # The fake's clock is this machine's monotonic one, as is the controller's: each reading lies where it is said to.
    for sample in (first, second):
        assert abs(sample.source_ns / 1e9 - sample.time_s) <= sample.uncertainty_s


def test_what_is_not_counted_is_not_there(lab: FakeLab) -> None:
    counters = commands(lab.folder)["counters"] | {"pattern": r"^cpu(?P<vcpu>\d+): ran (?P<run>\S+)"}
    hypervisor = lab.open(counters=counters)
    hypervisor.start()
    assert set(hypervisor.counters().values) == {"vcpu.0.run_ns"}
    assert any("gives no wait" in remark for remark in hypervisor.describe().remarks)


def test_a_state_beside_the_counters_saves_a_question(lab: FakeLab) -> None:
    words = {"running": ["at"], "stopped": ["off"]}
    counters = commands(lab.folder)["counters"] | {"state": {"pattern": r"^(?P<value>\w+)", **words}}
    hypervisor = lab.open(counters=counters)
    hypervisor.start()
    lab.calls()
    hypervisor.counters()
    assert lab.calls() == ["counters"]


def test_a_guest_that_has_gone_is_the_better_reason_for_a_failed_reading(lab: FakeLab) -> None:
    words = {"running": ["at"], "stopped": ["off"]}
    counters = commands(lab.folder)["counters"] | {"state": {"pattern": r"^(?P<value>\w+)", **words}}
    hypervisor = lab.open(counters=counters)
    lab.moods(counters="fails")
    with pytest.raises(GuestFault, match="is stopped"):
        hypervisor.counters()
    hypervisor.start()
    with pytest.raises(HostFault, match="exit status 3"):
        hypervisor.counters()


# -------------------------------------------------------------------------------------------------------- restore


@pytest.mark.parametrize("was_on", [True, False])
@pytest.mark.parametrize("is_on", [True, False])
def test_a_guest_is_put_back_byte_for_byte(lab: FakeLab, was_on: bool, is_on: bool) -> None:
    hypervisor = lab.open()
    if was_on:
        hypervisor.start()
    saved = hypervisor.save()
    hypervisor.stop(5)
    hypervisor.reshape(shape(4, "1 GiB"), saved)
    if is_on:
        hypervisor.start()
    assert lab.definition() != DEFINITION
    hypervisor.restore(saved)
    assert (lab.definition(), hypervisor.describe().running) == (DEFINITION, was_on)
    hypervisor.restore(saved)
    assert hypervisor.save() == saved


def test_a_guest_that_is_as_it_was_is_left_alone(lab: FakeLab) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    saved = hypervisor.save()
    lab.calls()
    hypervisor.restore(saved)
    assert not {"stop", "start", "restore"} & set(lab.calls())


@pytest.mark.parametrize(("word", "state"), [("held", "paused"), ("panicked", "crashed")])
def test_a_guest_that_neither_runs_nor_is_off_is_not_begun_with(lab: FakeLab, word: str, state: str) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    (lab.folder / "bookings-db.held").write_text(word)
    with pytest.raises(HostFault, match=f"is {state}, neither running nor stopped; .* put back afterwards"):
        hypervisor.save()


def test_a_guest_that_is_on_but_does_not_run_is_not_taken_for_put_back(lab: FakeLab) -> None:
    """Its definition is as it was; its kernel has crashed meanwhile."""
    words = ["sh", "-c", 'rm -f "$1.state" "$1.held"', "sh", "{domain}"]
    hypervisor = lab.open(stop=words)
    hypervisor.start()
    saved = hypervisor.save()
    (lab.folder / "bookings-db.held").write_text("panicked")
    hypervisor.restore(saved)
    assert hypervisor.save() == saved
    assert hypervisor.trouble() is None


def test_what_cannot_be_put_back_says_what_to_do_by_hand(lab: FakeLab) -> None:
    hypervisor = lab.open()
    hypervisor.start()
    saved = hypervisor.save()
    hypervisor.stop(5)
    hypervisor.reshape(shape(4), saved)
    lab.moods(restore="pretends")
    with pytest.raises(RestoreError) as caught:
        hypervisor.restore(saved)
    assert "what save prints now differs from what it was given" in str(caught.value)
    lab.moods()
    folder = keep(lab, saved)
    lines = hypervisor.by_hand(saved, str(folder))
    assert lines == [
        f"(cd {lab.folder} && exec {sys.executable} -IS fake_hypervisor.py force-off bookings-db)",
        f"(cd {lab.folder} && exec {sys.executable} -IS fake_hypervisor.py restore bookings-db)"
        f""" < '{lab.folder}/the ferry'"'"'s run/definition'""",
        f"(cd {lab.folder} && exec {sys.executable} -IS fake_hypervisor.py start bookings-db)",
    ]


def keep(lab: FakeLab, saved: SavedGuest) -> Path:
    """The guest's files as a run keeps them, in a folder with a blank and a quote in its name."""
    folder = lab.folder / "the ferry's run"
    folder.mkdir(exist_ok=True)
    for name, content in saved.files.items():
        (folder / name).write_bytes(content)
    return folder


@pytest.mark.parametrize(
    ("way", "force_off", "was_on", "is_on"),
    [
        ("controller", True, True, True),
        ("controller", False, False, True),
        ("host", True, True, False),
        ("host", False, True, True),
    ],
)
def test_what_is_typed_by_hand_really_puts_the_guest_back(
    lab: FakeLab, way: str, force_off: bool, was_on: bool, is_on: bool
) -> None:
    """By a real shell; the host's ``ssh`` is one that runs its last word here, as a login's shell would."""
    hypervisor = lab.open(force_off=force_off, **{"run-on": way})
    if was_on:
        hypervisor.start()
    saved = hypervisor.save()
    hypervisor.stop(5)
    hypervisor.reshape(shape(4), saved)
    if is_on:
        hypervisor.start()
    programs = lab.folder / "programs"
    programs.mkdir()
    (programs / "ssh").write_text('#!/bin/sh\nfor last; do :; done\nexec sh -c "$last"\n')
    (programs / "ssh").chmod(0o755)
    lines = hypervisor.by_hand(saved, str(keep(lab, saved)))
    assert ("ssh -p 22 " in lines[0]) is (way == "host")
    path = {"PATH": f"{programs}:{os.environ['PATH']}"}
    subprocess.run(["sh"], input="\n".join(lines), text=True, env=path, timeout=60, check=False, cwd="/")
    assert hypervisor.save() == saved


def test_a_saved_guest_without_its_definition_cannot_be_put_back(lab: FakeLab) -> None:
    with pytest.raises(RestoreError, match="has no file 'definition'"):
        lab.open().restore(SavedGuest({}, running=False))


# ----------------------------------------------------------------------------------------------------- interrupts


def test_an_interrupt_waits_for_the_command_in_hand(lab: FakeLab) -> None:
    """The signal goes to this process, as Ctrl-C does; the command ends its work, and only then it is raised."""
    slow = ["sh", "-c", 'echo $$ > slow; sleep 1; date +%s > "$1.state"', "sh", "{domain}"]
    hypervisor = lab.open(start=slow)
    began = lab.folder / "slow"

    def press() -> None:
        assert eventually(began.exists)
        os.kill(os.getpid(), signal.SIGINT)

    finger = threading.Thread(target=press)
    finger.start()
    with pytest.raises(KeyboardInterrupt):
        hypervisor.start()
    finger.join()
    assert (lab.folder / "bookings-db.state").exists()
    assert alive(lab.pids("slow")) == []
    assert hypervisor.describe().running


def test_a_command_is_out_of_reach_of_the_terminal(lab: FakeLab) -> None:
    """Ctrl-C goes to the terminal's foreground process group (POSIX, General Terminal Interface): not to ours."""
    told = ["sh", "-c", 'cut -d" " -f5,6 /proc/$$/stat > group; date +%s > "$1.state"', "sh", "{domain}"]
    lab.open(start=told).start()
    group, session = lab.pids("group")
    assert group == session
    assert group != os.getpgrp()
    assert session != os.getsid(0)
