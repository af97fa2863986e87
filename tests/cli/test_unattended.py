"""The README's section *Unattended*, taken from it word for word: checked by systemd, and run in a bare environment."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from long_night import LAB, PACKAGE, journal, running, write
from message_server import SECRET, MessageServer

from orchestrator.cli import invoke
from orchestrator.core.record.journal import Event, progress
from orchestrator.errors import HostFault

README = (PACKAGE / "README.md").read_text()
SECTION = README.partition("\n## Unattended\n")[2].partition("\n## ")[0]
BARE_PATH = "/usr/bin:/bin"
NOTIFY = "notify: [{environment: TRIALBED_NEWS}]\n"


def blocks(kind: str) -> list[str]:
    """The section's code blocks of a kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", SECTION, flags=re.DOTALL | re.MULTILINE)


def units(home: Path) -> dict[str, str]:
    """File name to text, for somebody whose home that is; systemd resolves %h so (systemd.unit(5), specifiers)."""
    return {text.split()[1]: text.replace("%h", str(home)) for text in blocks("ini")}


def service(home: Path) -> configparser.SectionProxy:
    parsed = configparser.ConfigParser(interpolation=None, strict=True)
    parsed.optionxform = str  # type: ignore[assignment, method-assign]  # keys differ by case
    parsed.read_string(units(home)["trialbed-night.service"])
    return parsed["Service"]


def environment_of(home: Path) -> dict[str, str]:
    """What a user's service manager would give the unit's process."""
    unit = service(home)
    given = dict([unit["Environment"].split("=", 1)])
    path = Path(unit["EnvironmentFile"].removeprefix("-"))
    lines = path.read_text().splitlines() if path.is_file() else []
    return {"HOME": str(home), "PATH": BARE_PATH} | given | dict(line.split("=", 1) for line in lines) | zone()


def zone() -> dict[str, str]:
    """Nothing; at the hour at which the README's night ends, a time zone in which it is noon (tzset(3))."""
    hour = datetime.now(UTC).hour
    return {"TZ": f"XXX{hour - 12:+d}"} if datetime.now().astimezone().hour in {5, 6} else {}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home as the section takes it to be: the project in ``trialbed``, its command in an environment of its own."""
    home = tmp_path / "home"
    command = home / "trialbed" / ".venv" / "bin" / "trialbed"
    command.parent.mkdir(parents=True)
    command.write_text(f'#!/bin/sh\nPYTHONPATH={PACKAGE} exec {sys.executable} -m orchestrator "$@"\n')
    command.chmod(0o755)
    write(home / "trialbed", blocks=2, name="plans/night.yaml")
    return home


def verify(folder: Path, files: dict[str, str]) -> tuple[int, str]:
    """What systemd says of unit files."""
    folder.mkdir()
    for name, text in files.items():
        (folder / name).write_text(text)
    (folder / "run").mkdir()
    done = subprocess.run(
        ["systemd-analyze", "verify", "--user", *(str(folder / name) for name in files)],
        env={"PATH": BARE_PATH, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder / "run")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stderr


with_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs Debian's package systemd")


@with_systemd
def test_systemd_finds_nothing_wrong_with_the_units(home: Path, tmp_path: Path) -> None:
    files = units(home)
    assert set(files) == {"trialbed-night.service", "trialbed-night.timer"}
    assert verify(tmp_path / "units", files) == (0, "")


@with_systemd
@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("KillMode=mixed", "KillMode=mixt"),
        ("TimeoutStopSec=10min", "TimeoutStopsSec=10min"),
        ("bin/trialbed run", "bin/trialbeds run"),
        ("Mon..Fri 19:00", "Mon..Fri 19h"),
    ],
)
def test_a_unit_that_is_wrong_would_be_noticed(right: str, wrong: str, home: Path, tmp_path: Path) -> None:
    files = {name: text.replace(right, wrong) for name, text in units(home).items()}
    assert files != units(home)
    status, said = verify(tmp_path / "units", files)
    assert status != 0 or said


def test_the_unit_gives_time_to_put_the_guest_back_and_no_helper_a_signal(home: Path) -> None:
    unit = service(home)
    # systemd.kill(5): mixed sends SIGTERM to the main process only, which is the command itself.
    assert (unit["KillMode"], unit["Type"], unit["SuccessExitStatus"]) == ("mixed", "exec", "1")
    minutes = int(unit["TimeoutStopSec"].removesuffix("min"))
    assert minutes * 60 >= 2 * (120 + 30), "a guest's time to shut down, and that of messages, twice over"


def test_the_units_command_runs_in_a_bare_environment(home: Path) -> None:
    unit = service(home)
    done = subprocess.run(
        shlex.split(unit["ExecStart"]),
        cwd=unit["WorkingDirectory"],
        env=environment_of(home),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode in {0, 1}, done.stderr
    assert "look again with: trialbed show" in done.stdout
    events = [Event.model_validate(event) for event in journal(home / "trialbed")]
    assert progress(events).state == "done"
    [begun] = [event for event in events if event.event == "run-started"]
    ends = datetime.fromisoformat(begun.detail["ends_utc"])
    assert zone() or f"{ends.astimezone():%H:%M}" == "06:30"


def test_the_cron_line_runs_as_cron_runs_it(home: Path) -> None:
    (line,) = blocks("cron")
    schedule, command = re.fullmatch(r"((?:\S+ ){5})(.*)\n", line).groups()  # type: ignore[union-attr]
    assert re.fullmatch(r"(?:(?:\*|\d+)(?:-\d+)? ){5}", schedule)
    assert "%" not in command, "cron makes line ends of it (crontab(5))"
    done = subprocess.run(
        ["/bin/sh", "-c", command],
        cwd=home,
        env={"HOME": str(home), "PATH": BARE_PATH} | zone(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    log = (home / "trialbed" / "night.log").read_text()
    assert done.returncode in {0, 1}, log
    assert (done.stdout, done.stderr) == ("", ""), "cron sends mail for each line that is printed"
    assert "look again with: trialbed show" in log
    assert progress([Event.model_validate(event) for event in journal(home / "trialbed")]).state == "done"


def test_at_shutdown_the_guest_is_put_back_and_somebody_is_told(home: Path) -> None:
    pytest.importorskip("apprise")
    write(home / "trialbed", blocks=500, lab=LAB + NOTIFY, name="plans/night.yaml")
    with MessageServer(200).up() as server:
        secrets = home / ".config" / "trialbed" / "environment"
        secrets.parent.mkdir(parents=True)
        secrets.write_text(f"TRIALBED_NEWS={server.address}\n")
        command = shlex.split(service(home)["ExecStart"])
        with running(command, home / "trialbed", environment_of(home)) as run:
            run.terminate()
            out, errors = run.communicate(timeout=60)
            assert run.returncode == 130
    (message,) = server.received
    assert message["title"].startswith("trialbed: ended before its last trial")
    assert "trialbed resume" in message["message"]
    assert "stopping now; putting the guest back as it was" in errors
    where = progress([Event.model_validate(event) for event in journal(home / "trialbed")])
    assert (where.state, where.guest_is_back) == ("interrupted", True)
    assert SECRET not in out + errors
    assert list((home / "trialbed" / "results").glob("*/alive.json")) == []


def test_no_secret_is_anywhere_when_messages_do_not_get_through(
    home: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """In nothing that is printed, also where a trace is asked for, and in no file of the store."""
    pytest.importorskip("apprise")
    write(home / "trialbed", blocks=2, lab=LAB + NOTIFY, name="plans/night.yaml")
    with MessageServer(500).up() as server:
        given = environment_of(home) | {"TRIALBED_NEWS": server.address, "TRIALBED_TRACE": "1"}
        done = subprocess.run(
            [str(home / "trialbed" / ".venv" / "bin" / "trialbed"), "run", "plans/night.yaml"],
            cwd=home / "trialbed",
            env=given,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode in {0, 1}, done.stderr
        monkeypatch.chdir(home / "trialbed")
        for name, value in given.items():
            monkeypatch.setenv(name, value)
        for command in ("check plans/night.yaml --probe", "show last", "status", "list --json"):
            assert invoke(command.split()) == 0
        printed = capfd.readouterr()
        said = done.stdout + done.stderr + printed.out + printed.err
    assert len(server.received) == 1
    assert "did not reach environment variable TRIALBED_NEWS (json)" in " ".join(said.split())
    kept = [path.read_bytes() for path in (home / "trialbed" / "results").rglob("*") if path.is_file()]
    assert len(kept) > 10
    assert not [content for content in (said.encode(), *kept) if SECRET.encode() in content]


def test_nobody_who_cannot_be_told_lets_a_run_begin(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write(home / "trialbed", blocks=2, lab=LAB + NOTIFY, name="plans/night.yaml")
    monkeypatch.chdir(home / "trialbed")
    monkeypatch.delenv("TRIALBED_NEWS", raising=False)
    unset = "lab: notify[0].environment: the environment variable TRIALBED_NEWS is not set"
    assert invoke(["check", "plans/night.yaml"]) == 2
    assert unset in " ".join(capsys.readouterr().out.split())
    assert invoke(["run", "plans/night.yaml"]) == 2
    assert unset in capsys.readouterr().err
    assert not (home / "trialbed" / "results").exists()


def test_a_lab_that_cannot_be_reached_at_that_hour_is_told_though_there_is_no_run(
    home: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], mocker: Any
) -> None:
    pytest.importorskip("apprise")
    write(home / "trialbed", blocks=2, lab=LAB + NOTIFY, name="plans/night.yaml")
    monkeypatch.chdir(home / "trialbed")
    place = "orchestrator.hypervisors.simulated.hypervisor.SimulatedHypervisor.describe"
    mocker.patch(place, side_effect=HostFault("no route to rack-a.example"))
    with MessageServer(200).up() as server:
        monkeypatch.setenv("TRIALBED_NEWS", server.address)
        assert invoke(["run", "plans/night.yaml"]) == 4
    (message,) = server.received
    assert message["title"].startswith("trialbed: the lab cannot be reached: ")
    assert "no route to rack-a.example" in message["message"]
    assert "(not begun)" in message["message"]
    assert "no route to rack-a.example" in capsys.readouterr().err


def test_the_section_names_what_it_promises() -> None:
    for part in ("TRIALBED_STORE", "--until 06:30", "--quiet", "SIGTERM", "status 130", "trialbed resume last"):
        assert part in SECTION
    assert os.sep in SECTION
