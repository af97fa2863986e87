"""Command lines against real shells, and the supervisor of a command that goes on under each shell there is here."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.adapters.ssh.commands import command_line, supervised

ARGUMENT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20)
CANDIDATES = (("dash",), ("bash",), ("bash", "--posix"), ("busybox", "ash"), ("ksh",), ("mksh",), ("yash",))
SHELLS = [shell for shell in CANDIDATES if shutil.which(shell[0])]


@given(st.lists(ARGUMENT, min_size=1))
def test_a_shells_own_rules_give_the_arguments_back(argv: list[str]) -> None:
    """Against shlex.split, which reads POSIX quoting."""
    assert shlex.split(command_line(argv).decode()) == argv


@pytest.mark.real
@settings(max_examples=20, deadline=None)
@given(st.lists(ARGUMENT, min_size=1, max_size=5))
def test_a_real_shell_gives_the_arguments_back(argv: list[str]) -> None:
    line = command_line(["printf", "%s\\0", *argv])
    told = subprocess.run(["/bin/sh", "-c", line], capture_output=True, check=True).stdout
    assert told.decode() == "".join(f"{word}\0" for word in argv)


def test_bytes_that_are_no_utf_8_stay_what_they_are() -> None:
    assert command_line([os.fsdecode(b"\xff")]) == b"'\xff'"


def test_what_cannot_be_a_command() -> None:
    for make in (command_line, supervised):
        with pytest.raises(ValueError, match="no command"):
            make([])
        with pytest.raises(ValueError, match="NUL"):
            make(["a\0b"])


def test_a_folder_that_looks_like_an_option() -> None:
    assert command_line(["ls"], "-P").decode() == "cd ./-P && ls"


@pytest.fixture(params=["setsid", "no setsid"])
def path(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A search path with or without setsid(1)."""
    if request.param == "setsid":
        return os.environ["PATH"]
    for name in ("sh", "sleep", "cat"):
        (tmp_path / name).symlink_to(str(shutil.which(name)))
    return str(tmp_path)


@contextmanager
def running(shell: tuple[str, ...], path: str, script: str) -> Iterator[subprocess.Popen[str]]:
    _, _, *rest = shlex.split(supervised(["sh", "-c", script]).decode())
    program = [str(shutil.which(shell[0])), *shell[1:]]
    with subprocess.Popen(
        [*program, *rest],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PATH": path},
        start_new_session=True,
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def first_words(process: subprocess.Popen[str], count: int = 1) -> list[str]:
    assert process.stdout is not None
    return [process.stdout.readline().strip() for _ in range(count)]


def gone(pids: list[str]) -> bool:
    """Whether processes have ended, within a moment; zombies that nobody waits for have."""
    end_s = time.monotonic() + 3
    while time.monotonic() < end_s:
        states = []
        for pid in pids:
            try:
                states.append(Path(f"/proc/{int(pid)}/stat").read_text().rpartition(") ")[2][0])
            except OSError:
                states.append("X")
        if set(states) <= {"Z", "X"}:
            return True
        time.sleep(0.02)
    return False


@pytest.mark.real
@pytest.mark.parametrize("shell", SHELLS, ids=" ".join)
class TestSupervisor:
    def test_it_tells_the_commands_own_status(self, shell: tuple[str, ...], path: str) -> None:
        for script, status in (("exit 0", 0), ("exit 3", 3), ("kill -9 $$", 137)):
            with running(shell, path, script) as process:
                assert process.wait(10) == status

    def test_the_commands_input_is_empty_and_its_output_its_own(self, shell: tuple[str, ...], path: str) -> None:
        with running(shell, path, "cat; echo out; echo err >&2") as process:
            assert process.stdout is not None
            assert process.stderr is not None
            assert process.stdout.read() == "out\n"
            assert process.stderr.read() == "err\n"

    def test_the_end_of_input_ends_the_command_and_its_children(self, shell: tuple[str, ...], path: str) -> None:
        family = "(sleep 600 & echo $!; exec sleep 600) & echo $!; sleep 600 & echo $!; echo $$; wait"
        with running(shell, path, family) as process:
            pids = first_words(process, 4)
            assert process.stdin is not None
            process.stdin.write("read away\n" * 1000 + "no end of line")
            process.stdin.close()
            assert process.wait(10) == 143
            assert gone(pids)

    def test_a_command_that_ignores_term_is_killed(self, shell: tuple[str, ...], path: str) -> None:
        with running(shell, path, "trap '' TERM; echo $$; while :; do sleep 0.2; done") as process:
            pids = first_words(process)
            assert process.stdin is not None
            process.stdin.close()
            assert process.wait(10) == 137
            assert gone(pids)

    def test_a_command_may_end_in_order(self, shell: tuple[str, ...], path: str) -> None:
        with running(shell, path, "trap 'echo tidied; exit 5' TERM; echo $$; while :; do sleep 0.05; done") as process:
            first_words(process)
            assert process.stdin is not None
            process.stdin.close()
            assert first_words(process) == ["tidied"]
            assert process.wait(10) == 5

    def test_a_stopped_command_is_ended(self, shell: tuple[str, ...], path: str) -> None:
        with running(shell, path, "echo $$; kill -STOP $$; echo never") as process:
            pids = first_words(process)
            time.sleep(0.1)
            assert process.stdin is not None
            process.stdin.close()
            assert process.wait(10) == 143
            assert gone(pids)

    def test_term_to_the_supervisor_has_the_same_effect(self, shell: tuple[str, ...], path: str) -> None:
        with running(shell, path, "echo $$; sleep 600 & echo $!; wait") as process:
            pids = first_words(process, 2)
            process.terminate()
            assert process.wait(10) == 143
            assert gone(pids)
