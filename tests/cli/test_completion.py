"""What a shell completes: the script in a real shell, and what is offered, told fast and without a word beside."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from long_night import LAB, PACKAGE, write

from orchestrator.adapters.store.layout import INDEX
from orchestrator.cli import invoke

VARIABLE = "_TRIALBED_COMPLETE"
#: Stands for the shell in which the keys are pressed; the last word is the one that is being typed.
DRIVER = """
source ./script
COMP_WORDS=("$@"); COMP_CWORD=$(( $# - 1 ))
compopt() { echo "left to the shell: $2"; }
_trialbed_completion trialbed
printf '%s\\n' "${COMPREPLY[@]}"
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with plans, labs, a bundle and a store, and the program under its name."""
    folder = tmp_path_factory.mktemp("completing")
    for name in ("plans/night.yaml", "plans/nothing.yaml"):
        write(folder, blocks=2, lab=LAB, name=name)
    (folder / "plans" / "labs").mkdir()
    (folder / "plans" / "lab.yaml").rename(folder / "plans" / "labs" / "lab.yaml")
    (folder / "plans" / "nothing.yaml").write_text("a: list of nothing\n")
    night = (folder / "plans" / "night.yaml").read_text("utf-8").replace("lab: lab.yaml", "lab: labs/lab.yaml")
    (folder / "plans" / "night.yaml").write_text(night, "utf-8")
    (folder / "ferries.zip").write_bytes(b"")
    (folder / "a name with blanks.yaml").write_text("shapes:\n", "utf-8")
    store = str(folder / "results")
    for _ in range(2):
        assert invoke(["run", str(folder / "plans" / "night.yaml"), "--quiet", "--store", store]) in {0, 1}
    assert invoke(["baseline", "set", "before-upgrade", "last", "--store", store]) == 0
    assert invoke(["list", "--store", store]) == 0
    program = folder / "bin" / "trialbed"
    program.parent.mkdir()
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m orchestrator "$@"\n', "utf-8")
    program.chmod(0o755)
    for shell in ("bash", "zsh", "fish"):
        done = subprocess.run(
            [program, "completion", shell], env=surroundings(folder), capture_output=True, text=True, check=True
        )
        (folder / f"script.{shell}").write_text(done.stdout, "utf-8")
    (folder / "script").write_text((folder / "script.bash").read_text("utf-8"), "utf-8")
    return folder


def surroundings(folder: Path) -> dict[str, str]:
    told = {name: value for name, value in os.environ.items() if name != "TRIALBED_STORE"}
    search = f"{PACKAGE}:{os.environ.get('PYTHONPATH', '')}"
    return told | {"PATH": f"{folder / 'bin'}:{os.environ['PATH']}", "PYTHONPATH": search}


def asked(folder: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """What bash offers for the last word, a line each; all that the program says besides."""
    return subprocess.run(
        ["bash", "--norc", "-c", DRIVER, "bash", "trialbed", *words],
        cwd=folder,
        env=surroundings(folder) | more,
        capture_output=True,
        text=True,
        check=False,
    )


def offered(folder: Path, *words: str, **more: str) -> list[str]:
    done = asked(folder, *words, **more)
    assert done.stderr == ""
    return [line for line in done.stdout.splitlines() if line]


def runs(folder: Path) -> list[str]:
    return sorted((path.parent.name for path in (folder / "results").glob("*/run.json")), reverse=True)


@pytest.mark.real
def test_bash_completes_commands_options_and_what_is_in_the_store(place: Path) -> None:
    both = runs(place)
    trials = sorted(path.name for path in (place / "results" / both[0] / "trials").iterdir())
    for words, expected in (
        (["sho"], ["show"]),
        (["baseline", ""], ["list", "remove", "set", "show"]),
        (["show", ""], ["last", *both]),
        (["show", both[0][:-2]], [both[0]]),
        (["show", "last", ""], trials),
        (["show", both[1], trials[0][:6]], [trials[0]]),
        (["show", "last", "--ex"], ["--explain"]),
        (["--pl"], ["--plain"]),
        (["compare", ""], ["before-upgrade", "last", *both]),
        (["guard", "--against", "b"], ["before-upgrade"]),
        (["history", "two"], ["two-bookings-t2"]),
        (["run", ""], ["plans/night.yaml"]),
        (["run", "plans/ni"], ["plans/night.yaml"]),
        (["check", "--lab", ""], ["plans/labs/lab.yaml"]),
        (["open", ""], ["ferries.zip"]),
        (["show", "--per", ""], ["second", "minute", "hour"]),
        (["report", "last", "--format", "p"], ["pdf", "png"]),
        (["help", "sandbox", ""], ["down", "status", "up"]),
    ):
        assert offered(place, *words) == expected, words


@pytest.mark.real
def test_where_nothing_is_known_the_shell_looks_for_files_itself(place: Path) -> None:
    for words in (["run", "elsewhere/"], ["open", "nothing"], ["run", "a"]):
        assert offered(place, *words) == ["left to the shell: default"], words


@pytest.mark.real
def test_a_store_is_found_as_the_command_would_find_it(place: Path, tmp_path: Path) -> None:
    shutil.copytree(place / "results", tmp_path / "kept", ignore=shutil.ignore_patterns("trials"))
    (tmp_path / "bin").symlink_to(place / "bin")
    (tmp_path / "script").symlink_to(place / "script")
    assert offered(tmp_path, "show", "") == []
    assert offered(tmp_path, "show", "", TRIALBED_STORE=str(tmp_path / "kept")) == ["last", *runs(place)]
    assert offered(tmp_path, "show", "--store", "kept", "") == ["last", *runs(place)]


@pytest.mark.real
def test_whatever_is_broken_nothing_is_said_and_nothing_written(place: Path, tmp_path: Path) -> None:
    store = tmp_path / "results"
    shutil.copytree(place / "results", store)
    for name in ("bin", "script"):
        (tmp_path / name).symlink_to(place / name)
    (store / INDEX).write_bytes(b"no database " * 1000)
    (store / "20991231T000000Z-torn-0000").mkdir()
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    assert offered(tmp_path, "show", "")[:2] == ["last", "20991231T000000Z-torn-0000"]
    for words in (
        ["show", "none-such", ""],
        ["show", "last", ""],
        ["history", ""],
        ["help", "no-such-command", ""],
    ):
        assert offered(tmp_path, *words) == [], words
    (store / INDEX).unlink()
    offered(tmp_path, "show", "")
    for words in (["no-such-command", ""], ["show", "--per", "never", ""]):
        offered(tmp_path, *words, TRIALBED_PLAIN="perhaps", TRIALBED_TRACE="1")
    after = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}
    before.pop(store / INDEX)
    before.pop(store), after.pop(store)
    assert after == before


@pytest.mark.real
def test_titles_stand_beside_runs_where_a_shell_shows_them(place: Path) -> None:
    told = {VARIABLE: "zsh_complete", "COMP_WORDS": "trialbed show ", "COMP_CWORD": "2"}
    done = subprocess.run(
        [place / "bin" / "trialbed"],
        cwd=place,
        env=surroundings(place) | told,
        capture_output=True,
        text=True,
        check=True,
    )
    kinds, names, helps = (done.stdout.splitlines()[part::3] for part in range(3))
    assert set(kinds) == {"plain"}
    assert names == ["last", *runs(place)]
    assert helps == ["the youngest run", *["How many vCPUs does the bookings database need?"] * 2]


@pytest.mark.real
def test_an_answer_comes_between_two_keys(place: Path) -> None:
    """0.3 s of processor time at most beyond the interpreter's own start: a common limit of what feels at once."""
    told = {VARIABLE: "bash_complete", "COMP_WORDS": "trialbed show ", "COMP_CWORD": "2"}

    def spent(command: list[str]) -> float:
        taken = []
        for _ in range(3):
            began = os.times()
            subprocess.run(command, cwd=place, env=surroundings(place) | told, stdout=subprocess.DEVNULL, check=True)
            ended = os.times()
            taken.append(ended.children_user + ended.children_system - began.children_user - began.children_system)
        return min(taken)

    bare = spent([sys.executable, "-c", "pass"])
    assert spent([sys.executable, "-m", "orchestrator"]) - bare < 0.3


def test_the_answer_loads_nothing_heavy(place: Path) -> None:
    code = (
        "import sys\nfrom orchestrator.cli import invoke\n"
        "try:\n    invoke([])\nexcept SystemExit:\n    pass\n"
        "heavy = {'pandas', 'scipy', 'pyarrow', 'numpy', 'yaml', 'pydantic', 'rich', 'altair'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    told = {VARIABLE: "bash_complete", "COMP_WORDS": "trialbed show last ", "COMP_CWORD": "3"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=place,
        env=surroundings(place) | told,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "plain,0001-" in done.stdout


def test_a_script_says_where_it_belongs(place: Path) -> None:
    bash, zsh, fish = ((place / f"script.{shell}").read_text("utf-8") for shell in ("bash", "zsh", "fish"))
    assert bash.startswith("# Completion of trialbed for bash")
    assert "bash-completion/completions/trialbed" in bash.splitlines()[1]
    # zshcompsys(1): a file is taken for a completion by its first line.
    assert zsh.splitlines()[0] == "#compdef trialbed"
    assert "_trialbed" in zsh.splitlines()[2]
    assert "fish/completions/trialbed.fish" in fish.splitlines()[1]
    assert invoke(["completion", "sh"]) == 2


@pytest.mark.real
@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_reads_its_script(place: Path, shell: str) -> None:
    if shutil.which(shell) is None:
        if shell == "bash":
            pytest.fail("bash is there wherever the tests run")
        return  # its script is click's own, and another machine has the shell
    done = subprocess.run(
        [shell, "-n", str(place / f"script.{shell}")], capture_output=True, text=True, check=False, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "")
