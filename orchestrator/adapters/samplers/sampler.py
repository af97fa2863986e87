"""Samplers: start a program on the other machine, ask it, and turn its answers into samples and exchanges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Literal

from orchestrator.adapters.samplers.protocol import (
    USUAL_TICKS_PER_S,
    Decoder,
    GarbledError,
    Greeting,
    parse_greeting,
    parse_stamp,
)
from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Process, Shell
from orchestrator.errors import GuestFault, HostFault, StageError
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds

Method = Literal["python", "shell"]

_PYTHON = ("python3", "-E", "-S", "-u", "-c")
_HAS_PYTHON = "import sys; sys.exit(sys.version_info < (3, 8))"
_GREET_WITHIN_S = 15.0
_END_WITHIN_S = 5.0
_LINE_LOST = -1  # or a signal ended it: see Process.ended
_MOST_LINES = 50_000
"""No sample has so many: a program that goes on and on is not ours."""


@dataclass(frozen=True)
class _Peer:
    """The other machine, and how long it may be silent."""

    machine: str
    clock: Clock
    limit_s: Seconds


@dataclass(frozen=True)
class _Answer:
    exchange: Exchange
    source_ns: int
    lines: list[str]


class ChannelSampler:
    """A :class:`~orchestrator.engine.ports.Sampler` over one running program.

    Attributes:
        method: which program answers.
        notes: what the reader of its counters has to know.
    """

    def __init__(self, process: Process, greeting: Greeting, root: str, peer: _Peer) -> None:
        self.method = greeting.method
        self._process, self._greeting, self._peer = process, greeting, peer
        self._decoder = Decoder(root)
        self._failure: StageError | None = None

    @property
    def notes(self) -> list[str]:
        """Files that could not be read, and what had to be assumed."""
        found = [f"{path} holds {line[:60]!r}, which is left out" for path, line in self._decoder.unreadable.items()]
        if self._greeting.ticks_per_s is None:
            found.append(f"ticks per second are unknown; {USUAL_TICKS_PER_S} are assumed")
        return found

    def sample(self) -> Sample:
        """One reading now; its time is the middle between request and answer, uncertain by half the round trip."""
        answer = self._ask("s")
        exchange = answer.exchange
        try:
            values = self._decoder.values(answer.lines)
        except GarbledError as error:
            raise self._fail(f"answered {str(error)[:60]!r}, which is no counter that was asked for") from error
        values["ticks_per_s"] = self._greeting.ticks_per_s or USUAL_TICKS_PER_S
        uncertainty_s = max(exchange.delay_s, 0.0) / 2 + exchange.resolution_s
        return Sample((exchange.sent_s + exchange.back_s) / 2, uncertainty_s, answer.source_ns, values)

    def exchange(self) -> Exchange:
        """One exchange of four timestamps, without counters."""
        return self._ask("c").exchange

    def close(self) -> None:
        """End the program; safe to call twice."""
        if self._failure is None:
            self._failure = _fault(self._peer.machine, "was closed")
        if self._process.stop(_END_WITHIN_S) is None:
            raise _fault(self._peer.machine, f"did not end within {_END_WITHIN_S:g} s of the end of its input")

    def _ask(self, request: str) -> _Answer:
        if self._failure is not None:
            raise self._failure
        sent_s = self._peer.clock.monotonic()
        self._process.write(request + "\n")
        until_s = sent_s + self._peer.limit_s
        lines: list[str] = []
        received_ns: int | None = None
        while len(lines) < _MOST_LINES:
            line = self._process.wait_line(max(until_s - self._peer.clock.monotonic(), 0.0))
            if line is None:
                raise self._silent()
            stamp = parse_stamp(line.text)
            if stamp is None and received_ns is not None:
                lines.append(line.text)
            elif stamp is not None and stamp[0] == "T" and received_ns is None:
                received_ns = stamp[1]
            elif stamp is not None and stamp[0] == "E" and received_ns is not None and stamp[1] >= received_ns:
                return self._answer(sent_s, received_ns, stamp[1], line.arrived_s, lines)
            else:
                raise self._fail(f"answered {line.text[:60]!r}, which is out of turn")
        raise self._fail(f"answered with more than {_MOST_LINES} lines")

    def _answer(
        self, sent_s: Seconds, received_ns: int, answered_ns: int, back_s: Seconds, lines: list[str]
    ) -> _Answer:
        received_s, answered_s = received_ns / NANOSECONDS_PER_SECOND, answered_ns / NANOSECONDS_PER_SECOND
        exchange = Exchange(sent_s, received_s, answered_s, back_s, self._greeting.resolution_s)
        return _Answer(exchange, (received_ns + answered_ns) // 2, lines)

    def _silent(self) -> StageError:
        status = self._process.ended()
        if status is None:
            return self._fail(f"gave no whole answer within {self._peer.limit_s:g} s", silent=True)
        ended = f"ended with exit status {status}: {_last_words(self._process)}"
        return self._fail(ended, silent=status == _LINE_LOST)

    def _fail(self, what: str, *, silent: bool = False) -> StageError:
        """The fault, which also answers every later request: what comes after it could belong to an earlier one."""
        self._failure = _fault(self._peer.machine, what, silent=silent)
        return self._failure


class Samplers:
    """Starts samplers: the :class:`~orchestrator.engine.ports.SamplerFactory` for every machine with a shell.

    Args:
        clock: the controller's.
        method: which program to start; found out on the machine if not given.
        limit_s: a machine that does not answer for so long has fallen silent.
    """

    def __init__(self, clock: Clock, method: Method | None = None, limit_s: Seconds = 5.0) -> None:
        self._clock, self._method, self._limit_s = clock, method, limit_s

    def open(self, shell: Shell, *, machine: str, root: str = "", threads: Sequence[str] = ()) -> ChannelSampler:
        """Start a sampler; see the port. Nothing is written on the machine, and the program ends with the channel."""
        method = self._method or ("python" if _has_python(shell) else "shell")
        arguments = (root, *(root + path for path in threads))
        program = _program("python_program.py" if method == "python" else "shell_program.sh")
        if method == "python":
            load = f"'counters for trialbed'; import sys; exec(sys.stdin.read({len(program)}))"
            process = shell.start((*_PYTHON, load, *arguments), end_with_input=False)
            process.write(program)
        else:
            process = shell.start(("sh", "-c", program, "sh", *arguments), end_with_input=False)
        try:
            greeting = self._greeting(process, machine)
        except StageError:
            process.stop(_END_WITHIN_S)
            raise
        return ChannelSampler(process, greeting, root, _Peer(machine, self._clock, self._limit_s))

    def _greeting(self, process: Process, machine: str) -> Greeting:
        until_s = self._clock.monotonic() + _GREET_WITHIN_S
        while (left_s := until_s - self._clock.monotonic()) > 0:
            line = process.wait_line(left_s)
            if line is not None and (greeting := parse_greeting(line.text)) is not None:
                return greeting
            if line is None and process.ended() is not None:
                break
        status = process.ended()
        how = (
            f"ended with exit status {status}" if status is not None else f"did not start within {_GREET_WITHIN_S:g} s"
        )
        raise _fault(machine, f"{how}: {_last_words(process)}", silent=status in (None, _LINE_LOST))


def _has_python(shell: Shell) -> bool:
    return shell.run((*_PYTHON, _HAS_PYTHON)).status == 0


def _program(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="ascii")


def _last_words(process: Process) -> str:
    return repr(process.errors().strip()[-200:]) if process.errors().strip() else "it said nothing"


def _fault(machine: str, what: str, *, silent: bool = False) -> StageError:
    kind = HostFault if machine == "host" else GuestFault
    return kind(f"the program that reads the {machine}'s counters {what}", silent=silent)
