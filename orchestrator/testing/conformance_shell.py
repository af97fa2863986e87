"""What every login promises the engine, as one check: real ones and those of fakes pass it.

A fake passes the promises that need no real machine; which of the others are checked is said by features:

``commands``
    POSIX commands run for real (``sh``, ``cat``, ``sleep``, ``printf``, ``seq``, ``head``, ``tr``, ``od``), and
    ``/proc`` shows the machine's processes.
``files``
    What was put can be read back by commands.
``time limits``
    A command that does not end in time is left with an error.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from orchestrator.engine.ports import MAX_LINE, Clock, Process, Shell
from orchestrator.errors import StageError
from orchestrator.testing.insist import insist, insist_raises
from orchestrator.units import Seconds

ALL_FEATURES = frozenset({"commands", "files", "time limits"})

#: How long anything may take on a slow and busy machine before it counts as never.
PATIENCE_S: Seconds = 30.0
#: What a call that must not block may take.
AT_ONCE_S: Seconds = 1.0

AWKWARD = (
    "",
    " ",
    "two words",
    "it's",
    'say "so"',
    "$HOME `id` $(id) ${PATH}",
    "a;b|c&d>e<f",
    "*?[a-z]~",
    "back\\slash\\n",
    "line\nbreak",
    "tab\there",
    "!history",
    "-n",
    "--",
    "#not a comment",
    "fährt über 東京 🚢",
    "\x1b[31mred\x07",
    "{a,b}",
    "%s%d%%",
)


@dataclass(frozen=True)
class ShellSubject:
    """What is checked.

    Attributes:
        login: makes a new login at each call, always on the same machine.
        clock: the controller's clock, the one that stamps lines.
        features: what of the above this machine can do.
        goes_on: a command that prints a line soon, then goes on printing or waiting until it is stopped.
        folder: where files can be put.
    """

    login: Callable[[], Shell]
    clock: Clock
    features: frozenset[str] = ALL_FEATURES
    goes_on: Sequence[str] = ("sh", "-c", "echo on; while :; do sleep 0.2; echo on; done")
    folder: str = "conformance"


def check_shell(subject: ShellSubject) -> None:
    """Check the whole contract of :class:`~orchestrator.engine.ports.Shell` and ``Process``.

    Raises:
        AssertionError: with the promise that was broken.
    """
    shell = subject.login()
    try:
        _lives(shell, subject)
        _two_at_once(shell, subject)
        _puts(shell, subject)
        if "commands" in subject.features:
            for check in (_runs, _quotes, _prints, _ends, _reports_signals, _keeps_errors):
                check(shell)
            for timed in (_floods, _reads_input, _ends_children, _ends_the_stubborn, _works_in_folders):
                timed(shell, subject)
        if "time limits" in subject.features:
            _limits_time(shell, subject)
    finally:
        shell.close()
    shell.close()
    insist_raises(StageError, lambda: shell.run(["true"]), "a login that was closed runs nothing")
    insist_raises(StageError, lambda: shell.start(subject.goes_on), "a login that was closed starts nothing")
    insist_raises(StageError, lambda: shell.put({"a": b""}, subject.folder), "a login that was closed sends nothing")
    _close_ends_commands(subject)


def _lives(shell: Shell, subject: ShellSubject) -> None:
    """The life of a command that goes on, from start to stop."""
    began_s = subject.clock.monotonic()
    process = shell.start(subject.goes_on)
    insist(process.ended() is None, "a command that was just started has not ended")
    line = process.wait_line(PATIENCE_S)
    insist(line is not None, "a command's first line arrives")
    if line is not None:
        insist(began_s <= line.arrived_s <= subject.clock.monotonic(), "a line is stamped when it arrives")
        insist("\n" not in line.text and not line.cut, "a line comes without its end, and is not cut when short")
    before_s = subject.clock.monotonic()
    stamps = [later.arrived_s for later in process.lines()]
    insist(subject.clock.monotonic() - before_s < AT_ONCE_S, "lines() does not wait")
    insist(stamps == sorted(stamps), "lines are in the order of their arrival")
    insist(process.ended() is None, "it goes on until it is stopped")
    process.write("is read away\n")
    status = process.stop(PATIENCE_S)
    insist(status is not None, "a stopped command has an exit status")
    insist(process.ended() == status, "ended() tells the same status afterwards")
    process.lines()
    insist(process.wait_line(0.0) is None, "no line comes from a command that has ended")
    insist(process.stop(1.0) == status, "stopping twice tells the same status")


def _two_at_once(shell: Shell, subject: ShellSubject) -> None:
    first, second = shell.start(subject.goes_on), shell.start(subject.goes_on)
    insist(first.wait_line(PATIENCE_S) is not None, "the first of two commands prints")
    insist(second.wait_line(PATIENCE_S) is not None, "the second of two commands prints")
    insist(first.stop(PATIENCE_S) is not None, "one of two commands can be stopped")
    insist(second.ended() is None, "the other goes on")
    insist(second.stop(PATIENCE_S) is not None, "and can be stopped, too")


def _puts(shell: Shell, subject: ShellSubject) -> None:
    every_byte = bytes(range(256)) * 4096 + b"\r\n\0\n"
    files = {"every-byte.bin": every_byte, "empty": b"", "with space 'and' quote": b"#!/bin/sh\necho ran\n"}
    folder = f"{subject.folder}/deep er/still"
    shell.put(dict.fromkeys(files, b"before"), folder)
    shell.put(files, folder)
    if "files" not in subject.features:
        return
    for name, content in files.items():
        told = shell.run(["sha256sum", name], folder=folder)
        insist(
            told.output.split()[0].lstrip("\\") == hashlib.sha256(content).hexdigest(), f"{name!r} arrives unchanged"
        )
    ran = shell.run(["./with space 'and' quote"], folder=folder)
    insist((ran.status, ran.output) == (0, "ran\n"), "files can be executed")
    mode = shell.run(["stat", "-c", "%a", *files], folder=folder).output.split()
    insist(mode == ["755"] * len(files), "files have mode 0755")
    listed = shell.run(["ls", "-A"], folder=folder).output.split("\n")
    insist(sorted(filter(None, listed)) == sorted(files), "nothing else is left in the folder")


def _runs(shell: Shell) -> None:
    done = shell.run(["sh", "-c", "echo out; echo err >&2; exit 7"])
    insist((done.status, done.output, done.errors) == (7, "out\n", "err\n"), "run tells status, output and errors")
    insist(shell.run(["true"]).status == 0, "success is status 0")
    missing = shell.run(["trialbed-no-such-command"])
    insist(missing.status == 127 and bool(missing.errors), "an unknown command has status 127, and says why")
    text = "Fähre\n" * 200_000
    insist(shell.run(["cat"], stdin=text, timeout_s=PATIENCE_S).output == text, "a long input goes through unchanged")
    insist(shell.run(["true"], stdin=text, timeout_s=PATIENCE_S).status == 0, "a command need not read its input")
    both = shell.run(["sh", "-c", "head -c 3000000 /dev/zero | tr '\\0' e >&2; echo end"], timeout_s=PATIENCE_S)
    insist(len(both.errors) == 3_000_000 and both.output == "end\n", "long errors do not hold up the output")
    binary = shell.run(["printf", "a\\377b\\000c"]).output
    insist(binary == "a\ufffdb\0c", "bytes that are no UTF-8 are replaced; NUL stays")


def _quotes(shell: Shell) -> None:
    script = 'printf "%s\\0" "$@"'
    told = shell.run(["sh", "-c", script, "sh", *AWKWARD]).output
    insist(tuple(told.split("\0")[:-1]) == AWKWARD, "run hands each argument on as it is")
    process = shell.start(["sh", "-c", f"{script} | od -An -v -tx1", "sh", *AWKWARD])
    octets = bytearray()
    for line in _until_ended(process):
        octets += bytes.fromhex(line)
    insist(tuple(octets.decode().split("\0")[:-1]) == AWKWARD, "start hands each argument on as it is")
    insist_raises(StageError, lambda: shell.run(["printf", "a\0b"]), "an argument with a NUL is an error")
    insist_raises(StageError, lambda: shell.run([]), "no command is an error")


def _prints(shell: Shell) -> None:
    process = shell.start(["printf", "%b", "\\033[2J\\0000\\0377 東京\\r\\n\\nlast"])
    lines = [process.wait_line(PATIENCE_S) for _ in range(3)]
    texts = [line.text for line in lines if line is not None]
    insist(texts == ["\x1b[2J\0\ufffd 東京", "", "last"], "odd bytes are data; CR LF ends a line, and so does the end")
    insist(_status(process) == 0, "its status is told")
    process.stop(PATIENCE_S)
    long = shell.start(["sh", "-c", "head -c 10000000 /dev/zero | tr '\\0' x; echo; echo after"])
    first, second = long.wait_line(PATIENCE_S), long.wait_line(PATIENCE_S)
    insist(first is not None and first.cut and first.text == "x" * MAX_LINE, "a line of 10 MB is cut, and says so")
    insist(second is not None and second.text == "after" and not second.cut, "the next line is whole")
    long.stop(PATIENCE_S)


def _floods(shell: Shell, subject: ShellSubject) -> None:
    """Many lines at once, then more than memory should hold while nobody reads."""
    process = shell.start(["seq", "1", "200000"])
    numbers = [int(text) for text in _until_ended(process)]
    insist(numbers == list(range(1, 200_001)), "of many lines quickly, none is lost or out of order")
    flood = shell.start(["sh", "-c", "seq -f '%01000.0f' 1 50000"])
    insist(flood.wait_line(PATIENCE_S) is not None, "a flood begins")
    subject.clock.sleep(0.5)
    expected = 2
    for text in _until_ended(flood):
        if int(text) != expected:
            break
        expected += 1
    insist(expected == 50_001, "a flood of 50 MB is held up while nobody reads, and complete in the end")


def _reads_input(shell: Shell, subject: ShellSubject) -> None:
    process = shell.start(["cat"], end_with_input=False)
    for number in range(20):
        before_s = subject.clock.monotonic()
        process.write(f"{number} 東京\n")
        line = process.wait_line(PATIENCE_S)
        insist(line is not None and line.text == f"{number} 東京", "a command reads what is written to it")
        insist(line is not None and before_s <= line.arrived_s, "and its answer is stamped after the question")
    insist(process.stop(PATIENCE_S) == 0, "the end of its input ends it, with its own status")
    insist_raises(StageError, lambda: process.write("too late\n"), "nothing can be written to a command that has ended")


def _ends(shell: Shell) -> None:
    for end_with_input in (True, False):
        process = shell.start(["sh", "-c", "echo x; exit 3"], end_with_input=end_with_input)
        insist(
            [*_until_ended(process)] == ["x"] and process.ended() == 3, "a command that ends itself tells its status"
        )
        insist(process.stop(PATIENCE_S) == 3, "and stopping it changes nothing")
    missing = shell.start(["trialbed-no-such-command"])
    insist(_status(missing) == 127 and bool(missing.errors()), "an unknown command ends with 127, and says why")
    missing.stop(PATIENCE_S)
    quiet = shell.start(["sh", "-c", "exec >&-; sleep 0.5; exit 4"])
    insist(quiet.wait_line(0.0) is None, "a command that closed its output prints nothing")
    insist(_status(quiet) == 4, "but ends when it ends")
    quiet.stop(PATIENCE_S)


def _reports_signals(shell: Shell) -> None:
    insist(
        shell.run(["sh", "-c", "kill -9 $$"]).status in (-1, 137), "a killed command has status -1, or a shell's 137"
    )
    for end_with_input in (True, False):
        process = shell.start(["sh", "-c", "kill -9 $$"], end_with_input=end_with_input)
        insist(_status(process) in (-1, 137), "a killed command that went on has status -1, or a shell's 137")
        process.stop(PATIENCE_S)


def _ends_children(shell: Shell, subject: ShellSubject) -> None:
    """Processes that only the end of input, or of the command, can end."""
    sleeper = "sleep 600 & echo $!; (sleep 600 & echo $!; wait) & echo $!; wait"
    process = shell.start(["sh", "-c", sleeper])
    children = [line.text for _ in range(3) if (line := process.wait_line(PATIENCE_S)) is not None]
    insist(len(children) == 3 and all(_alive(shell, child) for child in children), "children of a command run")
    insist(process.stop(PATIENCE_S) is not None, "a command with children can be stopped")
    insist(_all_gone(shell, subject, children), "the end of input ends a command's children and theirs")


def _ends_the_stubborn(shell: Shell, subject: ShellSubject) -> None:
    process = shell.start(["sh", "-c", "trap '' TERM; echo $$; while :; do sleep 1; done"])
    line = process.wait_line(PATIENCE_S)
    insist(line is not None, "a command that ignores TERM prints")
    insist(process.stop(PATIENCE_S) is not None, "a command that ignores TERM is stopped all the same")
    insist(line is not None and _all_gone(shell, subject, [line.text]), "and nothing of it is left")


def _keeps_errors(shell: Shell) -> None:
    process = shell.start(["sh", "-c", "seq 1 100000 >&2; echo the end >&2; echo done"])
    insist([*_until_ended(process)] == ["done"], "standard error does not hold up the output")
    errors = process.errors()
    insist(errors.endswith("100000\nthe end\n") and len(errors) <= 8192, "the end of standard error is kept, not all")
    process.stop(PATIENCE_S)


def _works_in_folders(shell: Shell, subject: ShellSubject) -> None:
    shell.put({"here": b""}, f"{subject.folder}/it's")
    told = shell.run(["ls"], folder=f"{subject.folder}/it's")
    insist(told.output == "here\n", "run works in a folder")
    process = shell.start(["ls"], folder=f"{subject.folder}/it's")
    insist([*_until_ended(process)] == ["here"], "start works in a folder")
    insist(shell.run(["ls"], folder=f"{subject.folder}/nowhere").status != 0, "a folder that is not there is an error")


def _limits_time(shell: Shell, subject: ShellSubject) -> None:
    began_s = subject.clock.monotonic()
    insist_raises(StageError, lambda: shell.run(["sleep", "60"], timeout_s=0.5), "a time limit ends in an error")
    insist(subject.clock.monotonic() - began_s < PATIENCE_S, "and is kept")
    process = shell.start(["sleep", "60"])
    began_s = subject.clock.monotonic()
    insist(process.wait_line(0.3) is None, "waiting for a line that does not come ends")
    insist(0.25 <= subject.clock.monotonic() - began_s < PATIENCE_S, "when its time is up")
    insist(process.stop(PATIENCE_S) is not None, "and the command can be stopped")


def _close_ends_commands(subject: ShellSubject) -> None:
    shell = subject.login()
    process = shell.start(subject.goes_on)
    insist(process.wait_line(PATIENCE_S) is not None, "a command prints before its login is closed")
    began_s = subject.clock.monotonic()
    shell.close()
    insist(subject.clock.monotonic() - began_s < PATIENCE_S, "closing a login with a command running does not hang")
    process.lines()
    process.wait_line(1.0)
    insist(process.ended() == -1, "a command whose login was closed has ended, with status -1")
    insist_raises(StageError, lambda: process.write("x" * 100), "and nothing can be written to it")


def _until_ended(process: Process) -> list[str]:
    """All lines until the end of a command."""
    texts: list[str] = []
    while (line := process.wait_line(PATIENCE_S)) is not None:
        texts.append(line.text)
        texts += [more.text for more in process.lines()]
    return texts


def _status(process: Process) -> int | None:
    process.lines()
    process.wait_line(PATIENCE_S)
    return process.ended()


def _alive(shell: Shell, pid: str) -> bool:
    """Whether a process runs; one that has ended and was not waited for does not count."""
    told = shell.run(["cat", f"/proc/{int(pid)}/stat"])
    return told.status == 0 and told.output.rpartition(") ")[2][:1] not in {"Z", "X", ""}


def _all_gone(shell: Shell, subject: ShellSubject, pids: Sequence[str]) -> bool:
    """Whether processes end within a moment: a kill is not waited for."""
    for _ in range(20):
        if not any(_alive(shell, pid) for pid in pids):
            return True
        subject.clock.sleep(0.1)
    return False
