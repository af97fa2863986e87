"""One neighbour's load: started on its machine, asked whether it still runs, and ended."""

from __future__ import annotations

from contextlib import suppress

from orchestrator.core.design.neighbour import Neighbour
from orchestrator.core.design.wording import printable
from orchestrator.engine import stages
from orchestrator.engine.bench import Bench
from orchestrator.engine.busy_loops import busy_loops
from orchestrator.engine.ports import Hypervisor, Process, Shell
from orchestrator.engine.stages import Remaining
from orchestrator.errors import HostFault, StageError

_LOG_IN_WITHIN_S = 20.0
_LOOPS_RUN_WITHIN_S = 15.0
_ANSWERS_WITHIN_S = 10.0
_ENDS_WITHIN_S = 10.0
#: A command that cannot run ends at once; one that lives so long has begun.
_SETTLED_AFTER_S = 1.0
#: The command's output is nobody's: read by no one, it would hold the load up in the end.
_UNREAD = 'exec "$@" >/dev/null'


class Place:
    """A machine that neighbours run on: the host, or a guest of it that is started where it is off.

    Args:
        bench: the world.
        guest: the guest's name; ``None``: the host.
        hypervisor: bound to that guest; for the host, to the measured one.
    """

    def __init__(self, bench: Bench, guest: str | None, hypervisor: Hypervisor) -> None:
        self._bench, self._guest, self._hypervisor = bench, guest, hypervisor
        self._shell: Shell | None = None

    def ready(self) -> Shell:
        """A login there, on a machine that runs.

        Raises:
            StageError: the guest does not start, or the login fails.
        """
        if self._shell is None:
            self._shell = self._host_login() if self._guest is None else self._guest_login()
        return self._shell

    def answers(self) -> bool:
        """Whether the login still runs commands."""
        try:
            return self._shell is not None and self._shell.run(["true"], timeout_s=_ANSWERS_WITHIN_S).status == 0
        except StageError:
            return False

    def leave(self) -> None:
        """End the login and whatever was started through it; the next one begins anew. Never fails."""
        shell, self._shell = self._shell, None
        if shell is not None:
            with suppress(Exception):  # nothing that is left to do on a login may keep a guest from being put back
                shell.close()

    def _host_login(self) -> Shell:
        access = self._hypervisor.host_access()
        if access is None:
            raise HostFault("the lab gives no ssh access to the host")
        return self._bench.connector.connect(access, machine="host", timeout_s=_LOG_IN_WITHIN_S)

    def _guest_login(self) -> Shell:
        if not self._hypervisor.describe().running:
            self._hypervisor.start()
        try:
            jitter = stages.jitter(self._guest or "host")
            return stages.attempt(stages.LOG_IN, self._log_in, self._bench.clock, jitter=jitter)
        except StageError as error:
            if (why := self._hypervisor.trouble()) is not None:
                text = f"guest {self._guest} is in no state to be logged in to: {why} ({error})"
                raise HostFault(text, barred=error.barred) from error
            raise

    def _log_in(self, left: Remaining) -> Shell:
        access = self._hypervisor.guest_access()
        return self._bench.connector.connect(access, machine="guest", timeout_s=min(left(), _LOG_IN_WITHIN_S))


class Load:
    """A neighbour at work. Every method but ``start`` bears with a machine that is gone.

    Attributes:
        neighbour: what was declared.
        together: its loops share one session, since the machine has no setsid: a kernel that weighs sessions gives
            them the CPU time of one program.
    """

    def __init__(self, neighbour: Neighbour, place: Place, bench: Bench) -> None:
        self.neighbour, self.together = neighbour, False
        self._place, self._clock = place, bench.clock
        self._process: Process | None = None

    def start(self) -> None:
        """Start it, and return once it is seen to run.

        Raises:
            StageError: why it does not.
        """
        shell, command = self._place.ready(), self.neighbour.command
        if command is not None:
            self._process = shell.start(["/bin/sh", "-c", _UNREAD, "sh", *command])
            self._process.wait_line(_SETTLED_AFTER_S)
            if (why := self._ended(self._process)) is not None:
                raise HostFault(why)
        else:
            argv = busy_loops(self.neighbour.loops or 0, self.neighbour.pin or ())
            self._process = shell.start(argv, end_with_input=False)
            self._await_loops(self._process)

    def trouble(self) -> str | None:
        """Why it does not run as declared; ``None`` while it does."""
        process = self._process
        if process is None:
            return "it was not started"
        if (why := self._ended(process)) is not None:
            return why
        if self.neighbour.loops is None:
            return None if self._place.answers() else "its machine does not answer any more"
        try:
            process.lines()
            process.write("look\n")
        except StageError as error:
            return str(error)
        answer = process.wait_line(_ANSWERS_WITHIN_S)
        if answer is None:
            return self._ended(process) or "its machine does not answer any more"
        said = printable(answer.text)
        return None if said == f"running {self.neighbour.loops}" else f"{said} of {self.neighbour.loops} loops"

    def restart(self) -> None:
        """End what is left of it and start it again, on another login where this one is dead.

        Raises:
            StageError: as for :meth:`start`.
        """
        if not (self.stop() and self._place.answers()):
            self._place.leave()
        self.start()

    def stop(self) -> bool:
        """End it; returns whether it was seen to end. Leaving its place ends it too."""
        process, self._process = self._process, None
        if process is None:
            return True
        with suppress(Exception):  # as in Place.leave
            return process.stop(_ENDS_WITHIN_S) is not None
        return False

    def _await_loops(self, process: Process) -> None:
        until_s = self._clock.monotonic() + _LOOPS_RUN_WITHIN_S
        wanted = (self.neighbour.loops or 0) + 1  # a line for each, and the program's own
        seen = 0
        while seen < wanted:
            left_s = until_s - self._clock.monotonic()
            line = process.wait_line(left_s) if left_s > 0 else None
            if line is None:
                why = self._ended(process)
                raise HostFault(why or f"its loops did not all run within {_LOOPS_RUN_WITHIN_S:g} s")
            seen += line.text.startswith(("loop ", "made "))
            self.together = self.together or line.text.endswith(" together")

    def _ended(self, process: Process) -> str | None:
        status: int | None = process.ended()
        if status is None:
            return None
        said = printable(process.errors().strip()[-300:])
        ended = "its login was lost" if status < 0 else f"it ended with exit status {status}"
        return f"{ended}: {said}" if said else ended
