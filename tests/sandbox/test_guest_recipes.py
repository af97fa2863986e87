"""What guests are made of: recipes that fit together, and our own files in them."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
from pathlib import Path

import pytest

from orchestrator.errors import SandboxError
from orchestrator.sandbox.recipes import LOAD_SOURCE, READY, RECIPES, own_file, recipe

SCRIPTS = ("rc", "ready", "power-button", "serve-postgres", "profile")
LINE = re.compile(r"work: (\d+) operations, ([\d.]+) a second after ([\d.]+) s")


def test_each_recipe_goes_beyond_the_small_one() -> None:
    small, *others = RECIPES.values()
    for other in others:
        assert set(small.packages) < set(other.packages)
        assert set(small.own.items()) <= set(other.own.items())
        assert set(small.modules) <= set(other.modules)
        assert other.memory > small.memory
    assert len({one.digest() for one in RECIPES.values()}) == len(RECIPES)


@pytest.mark.parametrize("name", RECIPES)
def test_every_file_of_ours_is_there(name: str) -> None:
    for file in recipe(name).files():
        assert own_file(file)


def test_an_unknown_recipe_is_refused() -> None:
    with pytest.raises(SandboxError, match="there is no image 'huge'; there are small, python, postgres"):
        recipe("huge")


@pytest.mark.parametrize("script", SCRIPTS)
def test_scripts_are_what_a_plain_shell_reads(script: str) -> None:
    shells = [words for words in (["dash"], ["busybox", "sh"], ["sh"]) if shutil.which(words[0])]
    for shell in shells:
        subprocess.run([*shell, "-n"], input=own_file(script), check=True, capture_output=True)


def test_the_guest_says_what_is_waited_for() -> None:
    assert f"echo {READY}\n".encode() in own_file("ready")


def test_users_of_the_guest_are_whole_lines_of_passwd() -> None:
    """Form of passwd(5): seven fields; of group(5): four."""
    users = [line.split(":") for line in own_file("passwd").decode().splitlines()]
    groups = {line.split(":")[2] for line in own_file("group").decode().splitlines()}
    assert {len(user) for user in users} == {7}
    assert {"root", "postgres"} <= {user[0] for user in users}
    assert {user[3] for user in users} <= groups


# --------------------------------------------------------------------------------------------------------- the load


@pytest.fixture(scope="module")
def load(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed")
    place = tmp_path_factory.mktemp("load")
    (place / LOAD_SOURCE).write_bytes(own_file(LOAD_SOURCE))
    command = ["gcc", "-std=c11", "-O2", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-pthread", LOAD_SOURCE]
    subprocess.run([*command, "-o", "work"], cwd=place, check=True, capture_output=True)
    return place / "work"


@pytest.mark.real
def test_the_load_counts_up_each_second_and_ends_when_told(load: Path) -> None:
    done = subprocess.run([load, "2", "2"], capture_output=True, text=True, timeout=30, check=True)
    counts = [(int(found[1]), float(found[2]), float(found[3])) for found in map(LINE.fullmatch, lines(done)) if found]
    assert len(counts) == len(lines(done)) >= 2
    (first, _, first_s), (second, rate, second_s) = counts[:2]
    assert first_s == pytest.approx(1, abs=0.5)
    assert second > first > 0
    assert rate == pytest.approx((second - first) / (second_s - first_s), rel=0.01)


@pytest.mark.real
def test_the_load_prints_as_often_as_is_asked(load: Path) -> None:
    done = subprocess.run([load, "1", "1", "20"], capture_output=True, text=True, timeout=30, check=True)
    times = [float(found[3]) for found in map(LINE.fullmatch, lines(done)) if found]
    assert 5 <= len(times) <= 20
    assert all(times[i] < times[i + 1] for i in range(len(times) - 1))


@pytest.mark.real
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_the_load_ends_on_a_signal(load: Path, number: signal.Signals) -> None:
    with subprocess.Popen([load, "1"], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert LINE.fullmatch(process.stdout.readline().strip())
        process.send_signal(number)
        assert process.wait(5) == 0


@pytest.mark.real
def test_the_load_ends_when_nobody_reads_it(load: Path) -> None:
    with subprocess.Popen([load, "1"], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.wait(5) == 0


@pytest.mark.parametrize(
    "words",
    [[], ["0"], ["two"], ["1", "-3"], ["1", "2", "3", "4"], ["1", "2", "0"], ["1", "2", "101"], ["99999"], [""]],
)
def test_the_load_refuses_other_words(load: Path, words: list[str]) -> None:
    done = subprocess.run([load, *words], capture_output=True, text=True, timeout=5, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("usage: work THREADS [SECONDS [TIMES]]")


def lines(done: subprocess.CompletedProcess[str]) -> list[str]:
    return done.stdout.splitlines()
