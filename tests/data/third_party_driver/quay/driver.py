"""Guests that exist on paper: they have a definition and a power switch, and count time without running anything."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Annotated

from pydantic import Field

from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.declared import Declared, Size, Whole
from orchestrator.core.design.lab import Lab, SshAccess
from orchestrator.core.design.schedule import Switch
from orchestrator.core.design.shape import Shape
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Connector, Description, Equipment, LeftBehind, SavedGuest, Shell
from orchestrator.errors import GuestFault, HostFault
from orchestrator.units import NANOSECONDS_PER_SECOND, Seconds


class QuaySettings(Declared):
    """What a lab writes under ``with:``."""

    berths: Annotated[Whole, Field(ge=1, le=64)]
    """Physical CPUs."""
    largest: Size = 8 * 2**30
    """Most memory of a guest."""


class QuayHypervisor:
    """One guest."""

    name = "quay"
    features = frozenset({"pin"})

    def __init__(self, settings: QuaySettings, access: SshAccess, clock: Clock) -> None:
        self._settings, self._access, self._clock = settings, access, clock
        self._definition = {"vcpus": 1, "memory": 2**30, "pin": None}
        self._started_s: Seconds | None = None

    def describe(self) -> Description:
        known = self._definition
        return Description(
            "paper guest", known["vcpus"], known["memory"], self._started_s is not None, self._settings.berths
        )

    def save(self) -> SavedGuest:
        return SavedGuest({"guest.json": json.dumps(self._definition).encode()}, self._started_s is not None)

    def facts(self, saved: SavedGuest) -> Mapping[str, str | None]:  # noqa: ARG002 - paper has no owner
        return {"hypervisor_version": "paper 1"}

    def refusal(self, shape: Shape) -> str | None:
        if unable := sorted(shape.extras - self.features):
            return f"paper guests have no {', '.join(unable)}; leave it out of shape {shape.name}"
        if shape.memory > self._settings.largest:
            return f"shape {shape.name} has more memory than the setting largest allows"
        return None

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        if self._started_s is not None:
            raise HostFault("the guest is on; stop it first")
        if (refused := self.refusal(shape)) is not None:
            raise HostFault(refused)
        kept = json.loads(saved.files["guest.json"])
        self._definition = kept | {"vcpus": shape.vcpus, "memory": shape.memory, "pin": shape.pin}

    def start(self) -> None:
        self._started_s = self._clock.monotonic()

    def plug(self) -> None:
        raise HostFault("a paper guest has its vCPUs from the start")

    def stop(self, timeout_s: Seconds) -> None:
        del timeout_s  # it goes off at once
        self._started_s = None

    def trouble(self) -> str | None:
        return "it is off" if self._started_s is None else None

    def counters(self) -> Sample:
        if self._started_s is None:
            raise GuestFault("the guest is off: it has no counters")
        now_s = self._clock.monotonic()
        run_ns = int((now_s - self._started_s) * NANOSECONDS_PER_SECOND) // 2
        values = {f"vcpu.{number}.run_ns": run_ns for number in range(self._definition["vcpus"])}
        return Sample(now_s, 0.0, int(now_s * NANOSECONDS_PER_SECOND), values)

    def vcpu_threads(self, host: Shell) -> Mapping[int, str]:
        del host  # nothing runs, so there are no threads
        return {}

    def guest_access(self) -> SshAccess:
        return self._access

    def host_access(self) -> SshAccess | None:
        return None

    def guest_root(self) -> str:
        return ""

    def restore(self, saved: SavedGuest) -> None:
        self._definition = json.loads(saved.files["guest.json"])
        if (self._started_s is not None) != saved.running:
            self._started_s = self._clock.monotonic() if saved.running else None

    def by_hand(self, saved: SavedGuest, folder: str) -> Sequence[str]:  # noqa: ARG002 - nothing is left of it
        return ()

    def close(self) -> None:
        pass


class QuayDriver:
    """What the entry point names."""

    name = "quay"
    settings = QuaySettings
    features = QuayHypervisor.features
    needs = frozenset({"ssh"})
    host_login: HostLogin = "lab"
    switch = Switch(1.0, 5.0)
    left_behind: LeftBehind = "nothing"

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        del connector  # it logs in nowhere
        settings = QuaySettings.model_validate(lab.host_of(guest).with_)
        access = lab.guests[guest].ssh
        assert access is not None, "needs names ssh, so that the lab has been checked for it"
        return Equipment(QuayHypervisor(settings, access, clock))
