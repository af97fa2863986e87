"""Switching off: the order of the ways, their times, and who may be forced. The guest is a fake that behaves."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

libvirt = pytest.importorskip("libvirt")

from orchestrator.core.design.lab import SshAccess
from orchestrator.engine.ports import Completed
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault, HostFault, StageError
from orchestrator.hypervisors.libvirt.power import power_off_by_login, switch_off
from orchestrator.hypervisors.libvirt.standing import Standing

RUNNING = Standing(libvirt.VIR_DOMAIN_RUNNING)
SHUT_OFF = Standing(libvirt.VIR_DOMAIN_SHUTOFF, libvirt.VIR_DOMAIN_SHUTOFF_SHUTDOWN)
PAUSED = Standing(libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_USER)
CRASHED = Standing(libvirt.VIR_DOMAIN_CRASHED, 1)


@dataclass
class FakeGuest:
    """Goes off ``takes_s`` after it heard one of the ways that it listens to.

    Attributes:
        hears_from_s: before that, it is still starting and misses everything.
        down: spans of time in which the host does not answer.
    """

    listens_to: tuple[str, ...] = ("button",)
    hears_from_s: float = 0.0
    takes_s: float = 2.0
    agent: bool = False
    state: Standing = RUNNING
    down: tuple[tuple[float, float], ...] = ()
    clock: VirtualClock = field(default_factory=VirtualClock)
    calls: list[tuple[float, str]] = field(default_factory=list)
    off_at_s: float = float("inf")

    def standing(self) -> Standing:
        now_s = self.clock.monotonic()
        if any(begin <= now_s < end for begin, end in self.down):
            raise HostFault("the connection was lost", may_pass=True)
        return SHUT_OFF if now_s >= self.off_at_s else self.state

    def has_agent(self) -> bool:
        return self.agent

    def ask_to_shut_down(self, *, by_agent: bool, within_s: float) -> None:
        assert within_s > 0
        self.hear("agent" if by_agent else "button")

    def pull_the_plug(self) -> None:
        self.calls.append((self.clock.monotonic(), "plug"))
        self.off_at_s = self.clock.monotonic()

    def log_in(self, within_s: float) -> None:
        assert within_s > 0
        self.hear("login")

    def hear(self, way: str) -> None:
        self.calls.append((round(self.clock.monotonic(), 3), way))
        if way == "agent" and way not in self.listens_to:
            raise GuestFault("the agent does not answer")
        if way in self.listens_to and self.clock.monotonic() >= self.hears_from_s:
            self.off_at_s = min(self.off_at_s, self.clock.monotonic() + self.takes_s)

    def stop(self, timeout_s: float = 30.0, *, force: bool = False) -> list[str]:
        switch_off(self, self.clock, timeout_s, self.log_in, force=force)
        assert self.standing().is_off
        return [way for _, way in self.calls]


def test_a_guest_that_is_off_is_left_alone() -> None:
    assert FakeGuest(state=SHUT_OFF).stop() == []


def test_a_guest_that_hears_its_power_button_goes_at_once() -> None:
    guest = FakeGuest()
    assert guest.stop() == ["button"]
    assert 2.0 <= guest.clock.monotonic() <= 2.3


def test_an_agent_is_asked_first_and_the_button_after_it() -> None:
    assert FakeGuest(listens_to=("agent",), agent=True).stop() == ["agent"]
    assert FakeGuest(agent=True).stop() == ["agent", "button"]


def test_a_guest_that_is_still_starting_is_asked_again() -> None:
    guest = FakeGuest(hears_from_s=7.0)
    assert guest.stop(60.0) == ["button", "button", "button"]
    assert [time_s for time_s, _ in guest.calls] == pytest.approx([0, 5, 10], abs=0.5)


def test_a_guest_that_hears_no_button_is_logged_in_to_after_a_third_of_the_time() -> None:
    guest = FakeGuest(listens_to=("login",))
    guest.stop(30.0)
    (logged_in_s,) = (time_s for time_s, way in guest.calls if way == "login")
    assert 10.0 <= logged_in_s <= 11.0


def test_a_guest_that_hears_nothing_is_forced_only_where_the_lab_allows_it() -> None:
    deaf = FakeGuest(listens_to=())
    with pytest.raises(GuestFault, match=r"did not shut down within 30 s; force-off: true in the lab"):
        deaf.stop(30.0)
    assert 30.0 <= deaf.clock.monotonic() <= 30.5
    forced = FakeGuest(listens_to=())
    assert forced.stop(30.0, force=True)[-1] == "plug"
    assert 30.0 <= forced.calls[-1][0] <= 30.5


@pytest.mark.parametrize("timeout_s", [0.0, 0.1, 1.0])
def test_little_time_is_kept(timeout_s: float) -> None:
    guest = FakeGuest(listens_to=())
    assert guest.stop(timeout_s, force=True)[-1] == "plug"
    assert guest.clock.monotonic() <= timeout_s + 0.2


@pytest.mark.parametrize(("state", "why"), [(PAUSED, "somebody has suspended it"), (CRASHED, "kernel has crashed")])
def test_a_guest_that_cannot_go_in_order_is_not_asked_to(state: Standing, why: str) -> None:
    guest = FakeGuest(state=state)
    with pytest.raises(GuestFault, match=f"cannot shut down in order: .*{why}.*force-off"):
        guest.stop()
    assert guest.calls == []
    assert guest.stop(force=True) == ["plug"]
    assert guest.clock.monotonic() == 0.0


def test_a_guest_that_is_being_shut_down_already_is_waited_for() -> None:
    guest = FakeGuest(state=Standing(libvirt.VIR_DOMAIN_SHUTDOWN), off_at_s=4.0, listens_to=())
    assert "plug" not in guest.stop(force=True)


def test_a_host_that_is_away_for_a_moment_is_waited_for() -> None:
    assert FakeGuest(down=((0.0, 3.0), (3.5, 4.0))).stop() == ["button"]


def test_a_guest_that_is_gone_altogether_is_not_waited_for() -> None:
    guest = FakeGuest()

    def no_such_guest() -> Standing:
        raise HostFault("there is no such guest")

    guest.standing = no_such_guest  # type: ignore[method-assign]
    with pytest.raises(HostFault, match="no such guest"):
        guest.stop()
    assert guest.clock.monotonic() == 0.0


def test_a_host_that_stays_away_is_said_to_be() -> None:
    with pytest.raises(HostFault, match="lost"):
        FakeGuest(down=((1.0, 1e9),), listens_to=()).stop(5.0, force=True)


def test_why_a_login_did_not_help_is_in_the_message() -> None:
    guest = FakeGuest(listens_to=())

    def refused(within_s: float) -> None:
        raise GuestFault(f"login refused with {within_s:.0f} s left", barred=True)

    with pytest.raises(GuestFault, match=r"within 3 s \(login refused with 2 s left\); force-off") as raised:
        switch_off(guest, guest.clock, 3.0, refused, force=False)
    assert raised.value.barred


# --------------------------------------------------------------------------------------------------------- by a login


class FakeLogin:
    """A login whose ``poweroff`` ends with a status, or with the line."""

    def __init__(self, status: int | StageError) -> None:
        self.status, self.closed = status, False
        self.argv: list[str] = []
        self.timeout_s = 0.0

    def connect(self, _access: SshAccess, *, machine: str, timeout_s: float) -> FakeLogin:
        assert machine == "guest"
        self.timeout_s = timeout_s
        return self

    def run(self, argv: list[str], *, timeout_s: float) -> Completed:
        self.argv = argv
        assert timeout_s <= 10.0
        if isinstance(self.status, StageError):
            raise self.status
        return Completed(self.status, "", "")

    def close(self) -> None:
        self.closed = True


ACCESS = SshAccess(address="192.0.2.11", user="bench")


@pytest.mark.parametrize("status", [0, -1])
def test_poweroff_over_a_login_that_may_be_lost_meanwhile(status: int) -> None:
    login = FakeLogin(status)
    power_off_by_login(login, ACCESS, 3.0)  # type: ignore[arg-type]  # only what is used
    assert login.closed
    assert login.timeout_s == 3.0
    assert login.argv[:2] == ["sh", "-c"]


def test_a_guest_without_the_right_to_power_off_says_so() -> None:
    login = FakeLogin(1)
    with pytest.raises(GuestFault, match="exit status 1"):
        power_off_by_login(login, ACCESS, 30.0)  # type: ignore[arg-type]  # only what is used
    assert login.closed
