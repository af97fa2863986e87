"""The two services that a sandbox needs of its host, started unless they run: libvirt, and a login."""

from __future__ import annotations

from orchestrator.errors import SandboxError
from orchestrator.sandbox.daemon import lost_daemons, start_daemon, uri_of, wait_for_daemon
from orchestrator.sandbox.login import make_privsep, start_login, stop_login
from orchestrator.sandbox.making import Making
from orchestrator.sandbox.ports import LOOPBACK, accepts, greeting
from orchestrator.sandbox.processes import alive, stop


def have_daemon(making: Making) -> None:
    """Have a libvirt daemon that listens. Guests that outlived an earlier one are found again by the new one."""
    state = making.state
    if alive(state.daemon) and accepts(state.socket) and _answers(making):
        return
    for process in (state.daemon, *lost_daemons(making.layout, making.guests)):
        stop(process, making.clock)
    state.daemon, state.socket = start_daemon(making.layout, making.guests, state.host_uuid)
    state.proved = False
    making.note()
    wait_for_daemon(making.layout, state.daemon, state.socket, making.clock)
    making.say(f"libvirt: a daemon of its own runs as {making.guests.name} (process {state.daemon.pid})")


def _answers(making: Making) -> bool:
    """Whether the daemon does more than accept connections, as a process that was stopped still does."""
    from orchestrator.sandbox.machines import SilentError, machines  # noqa: PLC0415 - needs libvirt

    try:
        with machines(uri_of(making.state.socket)):
            return True
    except SilentError:
        making.say("libvirt: the daemon does not answer any more, and is ended")
        return False
    except SandboxError:
        return True  # it answers, if only to refuse; the same words come again where it is used


def have_login(making: Making, login_key: str) -> None:
    """Have a login on the host, for whoever holds the sandbox's key; none where the tool's user has no shell."""
    state, tool = making.state, making.tool
    if not tool.may_log_in:
        making.say(f"host: {tool.name} has no shell to log in with, so the host's own counters are not read")
        return
    if alive(state.login) and greeting(state.login_port or 0):
        return
    stop_login(state.login, making.layout, tool, making.clock)
    if tool.uid == 0 and make_privsep():
        state.privsep_made = True
        making.note()
    promised = {guest.port for guest in state.guests.values()}
    state.login, state.login_port = start_login(making.layout, tool, login_key, making.clock, promised)
    state.proved = False
    making.note()
    making.say(f"host: {tool.name} can log in on {LOOPBACK}, port {state.login_port}, with the sandbox's key only")
