"""The program on a host that keeps leases, spoken to over one channel: a line of words, lines of answer, ``end``."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from importlib import resources

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Clock, Process, Shell
from orchestrator.errors import HostFault, StageError
from orchestrator.units import Seconds

_GREET_WITHIN_S: Seconds = 15.0
_ANSWER_WITHIN_S: Seconds = 15.0
_END_WITHIN_S: Seconds = 5.0
#: What a login's start-up files may print before the program begins.
_MOST_PREAMBLE = 1000


class Keeper:
    """One running keeper. What it has taken is marked as abandoned as soon as this end of the channel is gone.

    Raises HostFault, from every method but :meth:`close`, where the host does not answer.
    """

    def __init__(self, shell: Shell, folder: str, clock: Clock) -> None:
        self._shell, self._clock = shell, clock
        program = resources.files(__package__).joinpath("keeper.sh").read_text(encoding="ascii")
        self._process: Process = shell.start(["/bin/sh", "-c", program, "sh", folder], end_with_input=False)
        self._greet(folder)

    @classmethod
    def begin(cls, log_in: Callable[[], Shell], folder: str, clock: Clock) -> Keeper:
        """Log in and start one."""
        shell = log_in()
        try:
            return cls(shell, folder, clock)
        except BaseException:
            shell.close()
            raise

    def ask(self, *words: str) -> list[str]:
        """Give a command and return the lines of its answer."""
        self._process.write(" ".join(words) + "\n")
        until_s = self._clock.monotonic() + _ANSWER_WITHIN_S
        answer: list[str] = []
        while (line := self._line(until_s)) != "end":
            answer.append(line)
        return answer

    def close(self) -> None:
        """End it and the login; what it still holds is marked as abandoned. Never raises."""
        with suppress(StageError, OSError):
            self._process.stop(_END_WITHIN_S)
        with suppress(StageError, OSError):
            self._shell.close()

    def _greet(self, folder: str) -> None:
        until_s = self._clock.monotonic() + _GREET_WITHIN_S
        for _ in range(_MOST_PREAMBLE):
            word, _, rest = self._line(until_s).partition(" ")
            if word == "ready":
                return
            if word == "unusable":
                raise HostFault(
                    f"the folder of its leases, {folder}, cannot be written to ({printable(rest.strip())}); have it "
                    "made or opened for everybody (mode 1777), or name another by leases: under the host in the lab"
                )
        raise HostFault("its login prints without end, so that no lease can be kept there")

    def _line(self, until_s: Seconds) -> str:
        line = self._process.wait_line(max(until_s - self._clock.monotonic(), 0.0))
        if line is not None:
            return line.text
        if (status := self._process.ended()) is not None:
            words = printable(self._process.errors().strip()[-200:]) or "it said nothing"
            raise HostFault(f"the program that keeps the leases ended with exit status {status}: {words}", silent=True)
        raise HostFault("the program that keeps the leases gave no answer in time", silent=True)
