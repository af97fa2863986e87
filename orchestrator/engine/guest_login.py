"""The login in the guest of one trial, and a new one where the connection is dropped before the workload runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

from orchestrator.engine.bench import Bench
from orchestrator.engine.inside import look_inside
from orchestrator.engine.ports import Shell
from orchestrator.engine.silence import trouble_of
from orchestrator.engine.stages import Remaining
from orchestrator.errors import GuestFault, StageError
from orchestrator.units import Seconds

T = TypeVar("T")
#: Long: a connector probes a port that is open and silent by itself, and a slow server's handshake needs its time.
_TRY_S: Seconds = 20.0
#: A guest that was logged in to a moment ago answers within seconds, or something is wrong with it.
_AGAIN_WITHIN_S: Seconds = 10.0


class GuestLogin:
    """See the module.

    Args:
        bench: its connector logs in where its hypervisor says.

    Attributes:
        ever: whether this guest was logged in to since it was started.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._shell: Shell | None = None
        self.ever = False

    def open(self, left: Remaining, try_s: Seconds = _TRY_S) -> Shell:
        """Log in.

        Args:
            left: what the stage has left.
            try_s: a single try takes no longer.

        Raises:
            GuestFault: with the reason; one that will not pass where the hypervisor knows that the guest is in trouble.
        """
        access = self._bench.hypervisor.guest_access()
        try:
            self._shell = self._bench.connector.connect(access, machine="guest", timeout_s=min(left(), try_s))
        except StageError as error:
            if error.may_pass and (trouble := trouble_of(self._bench)) is not None:
                raise GuestFault(f"{trouble}; {error}") from error  # waiting brings back no guest that has gone
            raise
        self.ever = True
        return self._shell

    def using(
        self, action: Callable[[Shell, Remaining], T], seen: Mapping[str, str], started: Callable[[], bool]
    ) -> Callable[[Remaining], T]:
        """An action that is given the login, or when it is tried again and the login was lost, a new one.

        Args:
            action: is given the login and the time that is left.
            seen: what the guest said of itself in this trial, as far as it was asked: after a new login it must be the
                same boot, or what was prepared in it is gone.
            started: whether the action has started the workload, or what prepares it. Then it is not tried again: on a
                line that broke, the old one may run on for a while, and two at once would be measured as one.

        Returns:
            The action, to be told the time that is left.
        """

        def act(left: Remaining) -> T:
            shell = self._shell or self._again(seen, left)
            try:
                return action(shell, left)
            except GuestFault as error:
                if not error.silent:
                    raise
                self.close()
                if started() and error.may_pass:
                    text = f"{error}; what had been started may run on there, and is not started beside itself"
                    raise GuestFault(text, silent=True) from error
                raise

        return act

    def close(self) -> None:
        """End it; safe to call twice."""
        shell, self._shell = self._shell, None
        if shell is not None:
            shell.close()

    def _again(self, seen: Mapping[str, str], left: Remaining) -> Shell:
        shell = self.open(left, _AGAIN_WITHIN_S)
        before = seen.get("boot_id")
        if before is None:
            return shell
        root = self._bench.hypervisor.guest_root()
        if look_inside(shell, root, min(left(), _AGAIN_WITHIN_S)).get("boot_id") != before:
            raise GuestFault(
                "the connection was lost, and the guest has booted anew since: it is not what was verified"
            )
        return shell
