"""A login on this machine for reading its counters: an SSH server of the sandbox's own, on the loopback address."""

from __future__ import annotations

import subprocess
from pathlib import Path

from orchestrator.engine.ports import Clock
from orchestrator.errors import SandboxError
from orchestrator.sandbox.accounts import Account
from orchestrator.sandbox.daemon import last_words
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.ports import LOOPBACK, free_port, greeting
from orchestrator.sandbox.processes import ProcessId, alive, descendants, find, named, start_detached, stop
from orchestrator.sandbox.requirements import need
from orchestrator.sandbox.waiting import wait_until

_START_S = 15.0
_ATTEMPTS = 3
#: The host's name among the machines that are logged in to.
HOST = "sandbox"
#: Where OpenSSH's server locks up its unprivileged half when it is run by root: built into it, no setting changes it.
PRIVSEP = Path("/run/sshd")

# StrictModes looks at every folder up to the root, of which the sandbox has made only the last; those are closed to
# others, which is checked when they are made. PAM is asked only where root's password is locked: without it the server
# takes a locked account for a closed one. The first login of a run opens many channels.
_CONFIG = """\
Port {port}
ListenAddress {address}
HostKey {host_key}
AuthorizedKeysFile {sshd}/authorized_keys
PidFile none
StrictModes no
UsePAM {pam}
AllowUsers {user}
PermitRootLogin prohibit-password
AuthenticationMethods publickey
PasswordAuthentication no
KbdInteractiveAuthentication no
HostbasedAuthentication no
DisableForwarding yes
PermitTTY no
PermitUserEnvironment no
PermitUserRC no
PrintMotd no
PrintLastLog no
UseDNS no
MaxSessions 64
LogLevel INFO
Subsystem sftp internal-sftp
{more}"""
#: Settings that newer servers have and older ones refuse.
_NEWER = ("PerSourcePenalties no",)


def start_login(layout: Layout, tool: Account, login_key: str, clock: Clock, avoid: set[int]) -> tuple[ProcessId, int]:
    """Start the server; it outlives this program.

    Args:
        layout: with its folders and keys made.
        tool: the only user who may log in.
        login_key: the only public key that may.
        clock: for waiting.
        avoid: ports that are promised to others.

    Returns:
        The process and its port; it listens.

    Raises:
        SandboxError: it does not start; with its last words.
    """
    authorized = layout.sshd / "authorized_keys"
    authorized.write_text(f"{login_key}\n")
    authorized.chmod(0o600)
    log = layout.sshd / "log"
    for _ in range(_ATTEMPTS):
        port = free_port(avoid)
        log.write_bytes(b"")
        process = _start(layout, tool, port, log)
        if _comes_up(process, port, clock):
            return process, port
        stop(process, clock)
        if "already in use" not in log.read_text("utf-8", "replace"):
            break
    raise SandboxError(f"the SSH server of the host's login did not start; its last words:\n{last_words(log)}")


def _comes_up(process: ProcessId, port: int, clock: Clock) -> bool:
    def greets() -> bool:
        return greeting(port).startswith(b"SSH-")

    wait_until(lambda: greets() or not alive(process), clock, _START_S)
    return alive(process) and greets()


def _start(layout: Layout, tool: Account, port: int, log: Path) -> ProcessId:
    program = need("sshd")
    config = layout.sshd / "sshd_config"
    for more in ("\n".join(_NEWER) + "\n", ""):
        config.write_text(_text(layout, tool, port, more))
        if _accepted(program, config):
            break
    with log.open("ab") as file:
        environment = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"}
        return start_detached([program, "-D", "-e", "-f", str(config)], tool, environment, file)


def _text(layout: Layout, tool: Account, port: int, more: str) -> str:
    return _CONFIG.format(
        port=port,
        address=LOOPBACK,
        host_key=layout.host_key(HOST),
        sshd=layout.sshd,
        pam="yes" if tool.uid == 0 and _is_locked(tool.name) else "no",
        user=tool.name,
        more=more,
    )


def _accepted(program: str, config: Path) -> bool:
    command = [program, "-t", "-f", str(config)]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False)  # noqa: S603 - our own
    return done.returncode == 0


def _is_locked(user: str) -> bool:
    """Whether the account's password is locked, from shadow(5); only root can read it."""
    try:
        lines = Path("/etc/shadow").read_text("utf-8", "replace").splitlines()
    except OSError:
        return False
    return any(fields[0] == user and fields[1].startswith("!") for line in lines if len(fields := line.split(":")) > 1)


def make_privsep() -> bool:
    """As root, make the server's directory where it is missing (it vanishes at a reboot); returns whether it was."""
    if PRIVSEP.exists():
        return False
    try:
        PRIVSEP.mkdir(mode=0o755)
    except OSError as error:
        raise SandboxError(
            f"OpenSSH's server needs the directory {PRIVSEP} to run as root: {error.strerror}"
        ) from error
    return True


def remove_privsep() -> None:
    """Remove the directory again, unless another server has begun to use it."""
    if PRIVSEP.is_dir() and not any(PRIVSEP.iterdir()) and not named("sshd"):
        PRIVSEP.rmdir()


def stop_login(process: ProcessId | None, layout: Layout, tool: Account, clock: Clock) -> bool:
    """Stop the server and every login through it; returns whether all have gone."""
    servers = [process] if process is not None and alive(process) else []
    servers += [found for found in find(("sshd",), f"{layout.sshd}/", {tool.uid}) if found not in servers]
    everybody = [part for server in servers for part in (server, *descendants(server))]
    gone = [stop(part, clock) for part in everybody]
    return all(gone)
