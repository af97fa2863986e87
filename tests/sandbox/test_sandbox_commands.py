"""`trialbed sandbox` as a person or a program uses it, where no guest has to run."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from pytest_mock import MockerFixture
from sandbox_places import made_layout, process_id

from orchestrator.cli import invoke
from orchestrator.errors import SandboxError
from orchestrator.sandbox import guests, requirements
from orchestrator.sandbox.daemon import uri_of
from orchestrator.sandbox.lab_file import SandboxLab
from orchestrator.sandbox.state import State, alone, save


@pytest.fixture(autouse=True)
def own_cache(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(place / "cache"))
    monkeypatch.chdir(place)


@pytest.fixture
def installed(mocker: MockerFixture) -> None:
    """Whatever this machine has: nothing is missing."""
    mocker.patch.object(requirements, "require_packages")
    mocker.patch.object(requirements, "module_trouble", return_value=None)


def test_where_there_is_none_all_of_it_is_harmless(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(place / "s")
    assert invoke(["sandbox", "status", "--folder", folder]) == 1
    assert "down, in" in capsys.readouterr().out
    assert invoke(["sandbox", "status", "--folder", folder, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (next(iter(told)), told["schema_version"], told["state"]) == ("schema_version", 1, "down")
    assert invoke(["sandbox", "down", "--folder", folder]) == 0
    assert "There is no sandbox in" in capsys.readouterr().out
    assert invoke(["sandbox", "down", "--folder", folder, "--images"]) == 0
    assert list(place.iterdir()) == []


def test_everything_that_is_missing_is_named_at_once_with_both_commands(
    place: Path, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    # A machine without these cannot be had here; what finds out is told so.
    mocker.patch.object(requirements, "missing", return_value=[requirements.BUILDING[0], requirements.RUNNING[0]])
    mocker.patch.dict(sys.modules, {"libvirt": None})
    assert invoke(["sandbox", "up", "--folder", str(place / "s")]) == 4
    said = capsys.readouterr().err
    assert "sudo apt-get install --no-install-recommends gcc qemu-system-x86" in said
    assert "pip install libvirt-python" in said
    assert "nothing was changed" in said
    assert list(place.iterdir()) == []


@pytest.mark.parametrize(
    ("verb", "status", "says"),
    [("up", 4, "pip install libvirt-python"), ("down", 0, "There is no sandbox"), ("status", 1, "down, in")],
)
def test_no_verb_needs_the_library_to_say_that_it_is_missing(place: Path, verb: str, status: int, says: str) -> None:
    """In a process of its own: here, modules that need it have been imported already."""
    program = (
        "import sys; sys.modules['libvirt'] = None; from orchestrator.cli import invoke; sys.exit(invoke(sys.argv[1:]))"
    )
    words = [sys.executable, "-c", program, "sandbox", verb, "--folder", str(place / "s")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(words, capture_output=True, text=True, env=environment, timeout=60, check=False)
    assert (done.returncode, "defect" in done.stderr) == (status, False), done.stderr
    assert says in done.stdout + done.stderr


#: What Python says of a package whose library was not installed; and a file of somebody's that is found first.
BROKEN = "raise ImportError('libvirt.so.0: cannot open shared object file', name='libvirtmod')"
UNRELATED = "VERSION = 1"


@pytest.mark.parametrize(
    ("module", "says"),
    [(BROKEN, "installed but does not load (libvirt.so.0: cannot"), (UNRELATED, "hides libvirt-python: ")],
)
@pytest.mark.parametrize(("verb", "status"), [("up", 4), ("status", 1), ("down", 0)])
def test_a_library_that_does_not_load_is_no_defect(place: Path, module: str, says: str, verb: str, status: int) -> None:
    (place / "modules").mkdir()
    (place / "modules/libvirt.py").write_text(module)
    layout = made_layout(place)
    with socket.socket(socket.AF_UNIX) as listener:  # stands for a daemon that could be asked
        listener.bind(str(layout.root / "run/socket"))
        listener.listen()
        with subprocess.Popen(["sleep", "60"]) as daemon:
            save(layout, State(daemon=process_id(daemon.pid), socket=str(layout.root / "run/socket")))
            done = subprocess.run(
                [sys.executable, "-m", "orchestrator", "sandbox", verb, "--folder", str(layout.root)],
                capture_output=True,
                text=True,
                env={**os.environ, "PYTHONPATH": os.pathsep.join([str(place / "modules"), *sys.path])},
                cwd=place,
                timeout=120,
                check=False,
            )
            daemon.kill()
    said = done.stdout + done.stderr
    assert (done.returncode, "defect" in said, "Traceback" in said) == (status, False, False), said
    assert says in said
    assert "not finished" not in said


@pytest.mark.usefixtures("installed")
def test_a_folder_that_no_sandbox_made_is_neither_used_nor_removed(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (place / "s").mkdir()
    (place / "s/thesis.txt").touch()
    for verb in ("up", "down"):
        assert invoke(["sandbox", verb, "--folder", str(place / "s")]) == 2
        assert "no sandbox made this folder (it holds thesis.txt)" in capsys.readouterr().err
    assert [file.name for file in (place / "s").iterdir()] == ["thesis.txt"]


@pytest.mark.usefixtures("installed")
def test_another_lab_is_refused_before_anything_is_made(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (place / "lab.yaml").write_text("mine\n")
    assert invoke(["sandbox", "up", "--folder", str(place / "s"), "--lab", str(place / "lab.yaml")]) == 2
    assert "a lab that this sandbox did not write" in capsys.readouterr().err
    assert not (place / "s").exists()


@pytest.mark.usefixtures("installed")
def test_a_damaged_state_stops_up_and_status_but_not_down(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    layout = made_layout(place)
    layout.state.write_text("{")
    for verb in ("up", "status"):
        assert invoke(["sandbox", verb, "--folder", str(layout.root)]) == 2
        said = capsys.readouterr().err
        assert f"trialbed sandbox down --folder {layout.root}" in said
        assert "not finished" not in said, "nothing was begun, and the same command would not go on"
    assert invoke(["sandbox", "down", "--folder", str(layout.root)]) == 0
    said = capsys.readouterr().out
    assert "state is damaged" in said
    assert "a lab that was written elsewhere may be left" in said
    assert not layout.root.exists()


def lab_of(root: Path) -> str:
    return SandboxLab(uri_of(f"{root}/run/libvirt/libvirt-sock"), root / "keys/identity", None, {}).text()


def test_a_lab_of_which_no_note_is_left_is_removed_by_what_it_says(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lab = place / "plans/labs/sandbox.yaml"
    lab.parent.mkdir(parents=True)
    for text, left in (
        ("# mine\n" + lab_of(place / "s"), True),  # its first line is not ours
        (lab_of(place / "other"), True),
        (lab_of(place / "s2"), True),
        (lab_of(place / "s"), False),
    ):
        layout = made_layout(place)
        layout.state.write_text("{")
        lab.write_text(text)
        assert invoke(["sandbox", "down", "--folder", str(layout.root)]) == 0
        said = capsys.readouterr().out
        assert (f"{lab} is not this sandbox's" in said, f"removed {lab}" in said) == (left, not left)
        assert lab.exists() == left
        assert not layout.root.exists()


@pytest.mark.usefixtures("installed")
def test_two_at_once_do_no_harm(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    layout = made_layout(place)
    save(layout, State())
    before = set(layout.root.rglob("*"))
    with alone(layout):
        for verb in ("up", "down"):
            assert invoke(["sandbox", verb, "--folder", str(layout.root)]) == 4
            said = capsys.readouterr().err
            assert "another `trialbed sandbox` is at work" in said
            assert "not finished" not in said
        assert invoke(["sandbox", "status", "--folder", str(layout.root)]) == 1
        said = capsys.readouterr().out
        assert "another command is at work on it" in said
        assert "missing" not in said, "what is not there yet may be on its way"
        assert invoke(["sandbox", "status", "--folder", str(layout.root), "--json"]) == 1
        assert json.loads(capsys.readouterr().out)["state"] == "busy"
    assert set(layout.root.rglob("*")) - before <= {layout.lock}


def test_what_is_missing_of_one_is_listed(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    layout = made_layout(place)
    save(layout, State(login_port=1, image="small"))
    assert invoke(["sandbox", "status", "--folder", str(layout.root)]) == 1
    said = capsys.readouterr().out
    for trouble in ("the libvirt daemon does not run", "the host's login does not answer", "vmlinuz is missing"):
        assert trouble in said


def test_only_what_was_begun_is_called_unfinished(
    place: Path, installed: None, mocker: MockerFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("libvirt")
    mocker.patch.object(guests.images, "build", side_effect=SandboxError("the network is down"))
    assert invoke(["sandbox", "up", "--folder", str(place / "s"), "--lab", str(place / "lab.yaml")]) == 4
    said = capsys.readouterr().err
    assert "not finished: the same command goes on" in said
    assert "the network is down" in said
    # Once more: this time nothing is begun that was not there before.
    assert invoke(["sandbox", "up", "--folder", str(place / "s"), "--lab", str(place / "lab.yaml")]) == 4
    said = capsys.readouterr().err
    assert "the network is down" in said
    assert "not finished" not in said


@pytest.mark.parametrize("verb", [[], ["up"], ["down"], ["status"]])
def test_help_has_examples(verb: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert invoke(["sandbox", *verb, "--help"]) == 0
    assert f"  trialbed sandbox {' '.join(verb)}".rstrip() in capsys.readouterr().out
