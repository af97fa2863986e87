"""The lab's commands, run for one guest: filled in, shielded from interrupts, and their failures put in words."""

from __future__ import annotations

import shlex
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

from orchestrator.core.design.wording import printable, shown
from orchestrator.errors import HostFault
from orchestrator.hypervisors.command.child import MAX_OUTPUT, Ended
from orchestrator.hypervisors.command.machines import Machine
from orchestrator.hypervisors.command.placeholders import fill
from orchestrator.hypervisors.command.reading import Output, UnreadableError
from orchestrator.units import Seconds, format_duration

#: EX_TEMPFAIL of sysexits.h (BSD): the same may work later.
TEMPORARY = 75
_LAST_WORDS = 300

T = TypeVar("T")


class Commands:
    """Runs the lab's commands.

    Args:
        machine: where they run.
        domain: the guest's name on its hypervisor.
        limit_s: what a command may take, unless said otherwise.
    """

    def __init__(self, machine: Machine, domain: str, limit_s: Seconds) -> None:
        self._machine, self._domain, self.limit_s = machine, domain, limit_s

    def words(self, argv: Sequence[str], values: Mapping[str, str] | None = None) -> list[str]:
        """The command as it is run."""
        return fill(argv, {"domain": self._domain} | dict(values or {}))

    def by_hand(self, argv: Sequence[str]) -> str:
        """The command as a person would type it."""
        return printable(shlex.join(self.words(argv)))

    def typed(self, argv: Sequence[str]) -> str:
        """A whole line for a shell on this machine that runs the command where it is run."""
        return printable(self._machine.typed(self.words(argv)))

    @property
    def place(self) -> str:
        """Where commands run, in words."""
        return self._machine.place

    def run(
        self,
        what: str,
        argv: Sequence[str],
        *,
        values: Mapping[str, str] | None = None,
        data: bytes = b"",
        limit_s: Seconds | None = None,
    ) -> Ended:
        """Run a command to its end; an interrupt that comes meanwhile is raised once it has ended.

        Args:
            what: its name in the lab, such as ``reshape``.
            argv: with placeholders.
            values: of the placeholders beside the guest's.
            data: its standard input.
            limit_s: what it may take.

        Returns:
            How it ended: with exit status 0.

        Raises:
            HostFault: it could not be started, failed, took too long or printed too much. Tells why and what to do.
        """
        words = self.words(argv, values)
        allowed_s = self.limit_s if limit_s is None else limit_s
        try:
            ended = to_its_end(lambda: self._machine.run(words, data, allowed_s))
        except HostFault as error:
            raise error.reworded(f"{what}: {error}") from error
        if ended.status != 0:
            raise self._failure(what, words, ended, allowed_s)
        return ended

    def exactly(self, what: str, argv: Sequence[str]) -> bytes:
        """Run a command whose output is kept byte for byte. Raises HostFault where it does not arrive like that."""
        ended = self.run(what, argv)
        if not ended.exact:
            raise HostFault(
                f"{what}: the command printed what is not UTF-8, and over a login only text arrives unchanged; "
                "have it print text (base64, for example), and restore take that"
            )
        return ended.output

    def output(self, what: str, argv: Sequence[str], limit_s: Seconds | None = None) -> Output:
        """Run a command that prints figures."""
        return Output(self.run(what, argv, limit_s=limit_s).output.decode("utf-8", "replace"), self._domain)

    @contextmanager
    def reading(self, what: str, argv: Sequence[str]) -> Iterator[None]:
        """Around the reading of figures. Raises HostFault, with the command to look at, for what cannot be read."""
        try:
            yield
        except UnreadableError as error:
            raise HostFault(
                f"{what}: what the command printed cannot be read: {error}; "
                f"compare the reader in the lab with what {shown(self.by_hand(argv), 300)} prints {self.place}"
            ) from error

    def _failure(self, what: str, words: Sequence[str], ended: Ended, allowed_s: Seconds) -> HostFault:
        command = shown(printable(shlex.join(words)), 300)
        if ended.too_much:
            return HostFault(f"{what}: {command} printed more than {MAX_OUTPUT // 2**20} MiB and was ended; print less")
        said = _last_words(ended)
        if ended.status is None:
            limit = format_duration(allowed_s)
            return HostFault(
                f"{what}: {command} did not end within {limit} and was ended; {said}. "
                f"Run it by hand {self.place} to see what it waits for, or raise limit in the lab",
                may_pass=True,
            )
        how = f"ended with exit status {ended.status}" if ended.status > 0 else f"was ended by {_signal(-ended.status)}"
        return HostFault(
            f"{what}: {command} {how}; {said}. Run it by hand {self.place} to see more",
            may_pass=ended.status == TEMPORARY,
        )


def _signal(number: int) -> str:
    try:
        return f"signal {number} ({signal.Signals(number).name})"
    except ValueError:
        return f"signal {number}"


def _last_words(ended: Ended) -> str:
    """The end of what a command said, on one line: of its complaints, or else of its output."""
    for stream in (ended.errors, ended.output):
        if text := stream.decode("utf-8", "replace").strip():
            return f"its last words: {shown(text[-_LAST_WORDS:], _LAST_WORDS)}"
    return "it said nothing"


def to_its_end(action: Callable[[], T]) -> T:
    """Do what must not be cut short: an interrupt is raised when it is done. It has to be bounded in time itself."""
    interrupt: KeyboardInterrupt | None = None
    with ThreadPoolExecutor(max_workers=1) as pool:
        future = pool.submit(action)
        while not future.done():
            try:
                future.exception()
            except KeyboardInterrupt as insists:
                interrupt = insists
    if interrupt is not None:
        raise interrupt
    return future.result()
