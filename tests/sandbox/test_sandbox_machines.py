"""The whole sandbox, with real virtual machines: made, used, mended, removed, as root and as an ordinary user."""

from __future__ import annotations

import json
import os
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yaml
from sandbox_places import ordinary_account, short_folder

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.ssh import SshConnector
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.errors import StageError
from orchestrator.sandbox.accounts import Account, tool_account
from orchestrator.sandbox.layout import Layout
from orchestrator.sandbox.recipes import READY
from orchestrator.sandbox.state import State, alone, load

pytestmark = pytest.mark.vm
CLOCK = SystemClock()
US = tool_account()
#: As root the sandbox is also tried as somebody else; otherwise we are somebody else ourselves.
USERS = [US] if US.uid else [US, ordinary_account()]


@pytest.fixture(scope="module")
def cache() -> Iterator[Path]:
    with short_folder() as folder:
        yield folder


def interpreter(user: Account) -> str:
    """A Python that this user may run: a virtual environment's own may be under a home that is closed to others."""
    for python in (sys.executable, "/usr/bin/python3", f"/usr/bin/python3.{sys.version_info.minor}"):
        try:
            done = subprocess.run(
                [python, "-c", "import libvirt, pydantic_core"],
                env={"PYTHONPATH": python_path()},
                capture_output=True,
                check=False,
                **whom(user),
            )
        except OSError:
            continue
        if done.returncode == 0:
            return python
    pytest.fail(f"{user.name} can run no Python that has this program's libraries")


def python_path() -> str:
    return os.pathsep.join([str(Path(__file__).parents[2]), *filter(None, sys.path)])


def whom(user: Account) -> dict[str, Any]:
    return {} if user.uid == US.uid else {"user": user.uid, "group": user.gid, "extra_groups": []}


@dataclass(frozen=True)
class Sandbox:
    """The command, run by a user on a folder of that user's."""

    place: Path
    cache: Path
    user: Account
    python: str

    @property
    def layout(self) -> Layout:
        return Layout(self.place / "deep/s")

    @property
    def lab(self) -> Path:
        return self.place / "lab.yaml"

    def begin(self, verb: str, *options: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [self.python, "-m", "orchestrator", "sandbox", verb, "--folder", str(self.layout.root), *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=self.place,
            start_new_session=True,
            env=self.environment,
            **whom(self.user),
        )

    @property
    def environment(self) -> Mapping[str, str]:
        return {
            "PATH": os.environ["PATH"],
            "HOME": str(self.place),
            "XDG_CACHE_HOME": str(self.cache),
            "PYTHONPATH": python_path(),
            "PYTHONDONTWRITEBYTECODE": "1",
        }

    def run(self, verb: str, *options: str, status: int = 0) -> str:
        with self.begin(verb, *options) as process:
            said, _ = process.communicate(timeout=600)
        assert process.returncode == status, said
        return said

    def up(self, *options: str) -> str:
        return self.run("up", "--lab", str(self.lab), *options)

    def state(self) -> State:
        found = load(self.layout)
        assert found is not None
        return found

    def read_lab(self) -> Lab:
        return Lab.model_validate(yaml.safe_load(self.lab.read_text()))

    def processes(self) -> list[str]:
        """Command lines of all processes that have to do with the folder."""
        found = []
        for place in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                found.append(place.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
            except OSError:
                continue
        return [line for line in found if str(self.layout.root) in line]


ours_only = pytest.mark.parametrize("sandbox", [US], ids=["ourselves"], indirect=True)


@pytest.fixture(params=USERS, ids=lambda user: "root" if user.uid == 0 else "ordinary user")
def sandbox(request: pytest.FixtureRequest, cache: Path) -> Iterator[Sandbox]:
    user: Account = request.param
    with short_folder(user) as place:
        made = Sandbox(place, cache, user, interpreter(user))
        try:
            yield made
        finally:
            made.run("down")
            assert made.processes() == []


def start(sandbox: Sandbox, name: str) -> None:
    """Power on through libvirt, as a driver does, and wait until it has booted."""
    from orchestrator.sandbox.machines import machines  # only where guests can be run

    uri = sandbox.read_lab().hosts["sandbox"].uri
    assert uri is not None
    with machines(uri) as known:
        known.start(name)
    console = sandbox.layout.console_of(name)
    wait_until(lambda: console.exists() and READY in console.read_text(), 180)


def wait_until(condition: Callable[[], object], limit_s: float) -> None:
    end_s = CLOCK.monotonic() + limit_s
    while not condition():
        assert CLOCK.monotonic() < end_s, f"waited for {limit_s} s in vain"
        CLOCK.sleep(0.1)


def told(access: SshAccess | None, *argv: str) -> str:
    """What a command says on a machine of the lab, logged in to as the product does: strictly."""
    assert access is not None
    shell = SshConnector(CLOCK).connect(access, machine="guest", timeout_s=30)
    try:
        return shell.run(argv).output.strip()
    finally:
        shell.close()


def listens(port: int | None) -> bool:
    assert port is not None
    with socket.socket() as link:
        return link.connect_ex(("127.0.0.1", port)) == 0


def test_it_works_at_once_is_kept_mended_and_removed_without_a_trace(sandbox: Sandbox) -> None:
    said = sandbox.up()
    assert "bookings-1: was logged in to" in said
    told_status = json.loads(sandbox.run("status", "--json"))
    assert told_status["state"] == "up"
    assert [guest["power"] for guest in told_status["guests"]] == ["off", "off"]
    assert_closed(sandbox)

    start(sandbox, "timetable-1")
    lab, first = sandbox.read_lab(), sandbox.state()
    guest = lab.guests["timetable-1"].ssh
    assert guest is not None
    assert told(guest, "hostname") == "timetable-1"
    assert told(guest, "nproc") == "1"
    with pytest.raises(StageError, match="HOST KEY CHANGED"):
        told(guest.model_copy(update={"host_key": lab.guests["bookings-1"].ssh.host_key}), "true")  # type: ignore[union-attr]
    if sandbox.user.may_log_in:
        assert told(lab.hosts["sandbox"].ssh, "id", "-un") == sandbox.user.name

    # Again: nothing is touched, neither what runs nor who runs it.
    boot = told(guest, "cat", "/proc/sys/kernel/random/boot_id")
    assert "everything was there and is kept" in sandbox.up()
    assert sandbox.state() == first
    assert "timetable-1 is running, and would have to be defined anew" in sandbox.run(
        "up", "--acceleration", "kvm", status=4
    )

    with alone(sandbox.layout):
        for verb in ("up", "down"):
            assert "another `trialbed sandbox` is at work" in sandbox.run(verb, status=4)

    # The daemon dies, as at a crash: the next one finds the guest as it was.
    assert first.daemon is not None
    os.kill(first.daemon.pid, signal.SIGKILL)
    assert "the libvirt daemon does not run" in sandbox.run("status", status=1)
    sandbox.up()
    assert told(guest, "cat", "/proc/sys/kernel/random/boot_id") == boot
    assert sandbox.state().guests == first.guests

    ports = [first.login_port, *(known.port for known in first.guests.values())]
    assert listens(guest.port)
    assert "timetable-1: shut down" in sandbox.run("down")
    assert sandbox.processes() == []
    assert not any(listens(port) for port in ports if port is not None)
    assert list(sandbox.place.iterdir()) == [], "the folder, the one above it and the lab have gone"
    assert "There is no sandbox" in sandbox.run("down")


def assert_closed(sandbox: Sandbox) -> None:
    """What others may read of it."""
    assert stat.S_IMODE(sandbox.layout.root.stat().st_mode) == (0o711 if sandbox.user.uid == 0 else 0o700)
    private = [file for file in sandbox.layout.keys.iterdir() if file.suffix != ".pub"]
    for file in (*private, sandbox.layout.state):
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
    for file in sandbox.layout.images.iterdir():  # root's guests read theirs by their group
        assert stat.S_IMODE(file.stat().st_mode) == (0o640 if sandbox.user.uid == 0 else 0o600), file
        assert file.stat().st_uid == sandbox.user.uid, file
    workers = [line for line in sandbox.processes() if "libvirtd" in line or "virtqemud" in line]
    assert len(workers) == 1
    daemon = sandbox.state().daemon
    assert daemon is not None
    assert Path(f"/proc/{daemon.pid}").stat().st_uid != 0


@ours_only
def test_half_of_one_is_removed_all_the_same(sandbox: Sandbox) -> None:
    sandbox.up()
    start(sandbox, "bookings-1")
    before = sandbox.state()
    assert before.daemon is not None
    os.kill(before.daemon.pid, signal.SIGKILL)  # so that nobody can be asked to stop the guest
    sandbox.layout.state.write_text('{"format": 1, "daemon"')
    (sandbox.layout.root / "run/libvirt/libvirt-sock").unlink(missing_ok=True)
    for file in sandbox.layout.keys.iterdir():
        file.unlink()
    assert any("qemu-system" in line for line in sandbox.processes())
    assert "damaged" in sandbox.run("down")
    assert sandbox.processes() == []
    assert not sandbox.layout.root.exists()
    sandbox.lab.unlink()  # nobody knows any more that it is the sandbox's, so it is left
    for folder in sandbox.place.iterdir():
        folder.rmdir()


@ours_only
def test_an_interrupt_leaves_nothing_that_cannot_be_gone_on_with_or_removed(sandbox: Sandbox) -> None:
    for line in ("libvirt: a daemon", "bookings-1: boots once"):
        with sandbox.begin("up", "--lab", str(sandbox.lab)) as process:
            assert process.stdout is not None
            assert any(line in said for said in process.stdout)
            os.killpg(process.pid, signal.SIGINT)
            said, _ = process.communicate(timeout=60)
        assert process.returncode == 130, said
        assert "not finished: the same command goes on" in said
        sandbox.run("down")
        assert sandbox.processes() == []
        assert list(sandbox.place.iterdir()) == []
    with sandbox.begin("up", "--lab", str(sandbox.lab)) as process:
        assert process.stdout is not None
        assert any("host:" in said or "image:" in said for said in process.stdout)
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate(timeout=60)
    assert "was logged in to" in sandbox.up()
