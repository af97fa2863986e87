"""The proof that a sandbox works: a guest of it is booted, logged in to with strict checking, and shut down again."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.commands import Runner
from orchestrator.sandbox.daemon import last_words
from orchestrator.sandbox.domains import RUNNING
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.recipes import READY
from orchestrator.sandbox.waiting import wait_until
from orchestrator.units import Seconds

if TYPE_CHECKING:
    from orchestrator.sandbox.machines import Machines

BOOT_WITHIN_S: Seconds = 180.0
_LOGIN_WITHIN_S: Seconds = 30.0
SHUTDOWN_WITHIN_S: Seconds = 20.0
_PAUSE_S = 0.5


def prove(layout: Layout, machines: Machines, name: str, clock: Clock, run: Runner) -> Seconds:
    """Boot a guest that is off, log in to it, and shut it down.

    Returns:
        How long it took from power-on until a command had run in it, in seconds.

    Raises:
        SandboxError: it did not boot or could not be logged in to; with the last words of its console. It is off then.
    """
    began_s = clock.monotonic()
    layout.console_of(name).unlink(missing_ok=True)  # what it holds is of an earlier boot
    try:
        machines.start(name)
        _wait_for_boot(layout, machines, name, clock)
        log_in(layout, name, clock, run)
        took_s = clock.monotonic() - began_s
    except BaseException:
        with suppress(SandboxError):  # why it did not boot is what has to be told
            machines.stop(name, clock, 0.0)
        raise
    how = machines.stop(name, clock, SHUTDOWN_WITHIN_S)
    if how != "shut down":
        raise SandboxError(f"{name} did not shut down within {SHUTDOWN_WITHIN_S:.0f} s when asked to, and was {how}")
    return took_s


def _wait_for_boot(layout: Layout, machines: Machines, name: str, clock: Clock) -> None:
    console = layout.console_of(name)
    began_s = clock.monotonic()

    def is_ready() -> bool:
        return console.exists() and READY in console.read_text("utf-8", "replace")

    wait_until(lambda: is_ready() or machines.power(name) != RUNNING, clock, BOOT_WITHIN_S)
    if not is_ready():
        waited_s = clock.monotonic() - began_s
        raise SandboxError(
            f"{name} did not boot: after {waited_s:.0f} s it is {machines.power(name)}; "
            f"the last words of its console:\n{last_words(console)}"
        )


def log_in(layout: Layout, machine: str, clock: Clock, run: Runner) -> None:
    """Run a command over SSH, its host key checked. Raises SandboxError when that does not work in time."""
    end_s = clock.monotonic() + _LOGIN_WITHIN_S
    while True:
        try:
            run(["ssh", "-F", str(layout.ssh_config), "-o", "ConnectTimeout=5", machine, "true"])
        except SandboxError as error:
            if clock.monotonic() > end_s:  # the guest's SSH server starts after the boot script has ended
                raise SandboxError(f"{machine} cannot be logged in to: {error}") from error
            clock.sleep(_PAUSE_S)
        else:
            return
