"""The state of a domain, in the words of its reader."""

from __future__ import annotations

from dataclasses import dataclass

import libvirt

_WORKS = frozenset({libvirt.VIR_DOMAIN_NOSTATE, libvirt.VIR_DOMAIN_RUNNING, libvirt.VIR_DOMAIN_BLOCKED})

_PAUSED = {
    libvirt.VIR_DOMAIN_PAUSED_USER: "it is paused: somebody has suspended it",
    libvirt.VIR_DOMAIN_PAUSED_MIGRATION: "it is paused while it is migrated to another host",
    libvirt.VIR_DOMAIN_PAUSED_SAVE: "it is paused while its state is being saved",
    libvirt.VIR_DOMAIN_PAUSED_DUMP: "it is paused while its memory is being dumped",
    libvirt.VIR_DOMAIN_PAUSED_IOERROR: "it is paused by an I/O error: see the host's storage, and the space left there",
    libvirt.VIR_DOMAIN_PAUSED_WATCHDOG: "it is paused by its watchdog: its system had stopped",
    libvirt.VIR_DOMAIN_PAUSED_FROM_SNAPSHOT: "it is paused since it was reverted to a snapshot",
    libvirt.VIR_DOMAIN_PAUSED_SHUTTING_DOWN: "it is paused at the end of its shutdown",
    libvirt.VIR_DOMAIN_PAUSED_SNAPSHOT: "it is paused while a snapshot is taken",
    libvirt.VIR_DOMAIN_PAUSED_CRASHED: "it is paused: its kernel has crashed",
    libvirt.VIR_DOMAIN_PAUSED_STARTING_UP: "it is paused: it is only being started",
    libvirt.VIR_DOMAIN_PAUSED_POSTCOPY: "it is paused while it is migrated to another host",
    libvirt.VIR_DOMAIN_PAUSED_POSTCOPY_FAILED: "it is paused: its migration to another host has failed",
}
_OFF = {
    libvirt.VIR_DOMAIN_SHUTOFF_SHUTDOWN: "it was shut down: from inside, or in order from outside",
    libvirt.VIR_DOMAIN_SHUTOFF_DESTROYED: "it was switched off from outside",
    libvirt.VIR_DOMAIN_SHUTOFF_CRASHED: "it has crashed: its kernel panicked, or its process on the host was killed",
    libvirt.VIR_DOMAIN_SHUTOFF_MIGRATED: "it was migrated to another host",
    libvirt.VIR_DOMAIN_SHUTOFF_SAVED: "its state was saved and it was switched off",
    libvirt.VIR_DOMAIN_SHUTOFF_FAILED: "the host could not start it",
    libvirt.VIR_DOMAIN_SHUTOFF_FROM_SNAPSHOT: "it was reverted to a snapshot in which it was off",
    libvirt.VIR_DOMAIN_SHUTOFF_DAEMON: "the host's libvirt daemon has switched it off",
}
_OTHER = {
    libvirt.VIR_DOMAIN_PAUSED: (_PAUSED, "it is paused"),
    libvirt.VIR_DOMAIN_SHUTOFF: (_OFF, "it is off"),
    libvirt.VIR_DOMAIN_SHUTDOWN: ({}, "it is shutting down"),
    libvirt.VIR_DOMAIN_CRASHED: ({}, "its kernel has crashed; the host keeps it for whoever wants to look at it"),
    libvirt.VIR_DOMAIN_PMSUSPENDED: ({}, "it has put itself to sleep"),
}
#: States that pass by themselves, so that a shutdown in order is still under way or possible.
_PASSING = frozenset(
    {
        (libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_STARTING_UP),
        (libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_SHUTTING_DOWN),
        (libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_SNAPSHOT),
        (libvirt.VIR_DOMAIN_PAUSED, libvirt.VIR_DOMAIN_PAUSED_DUMP),
    }
)


@dataclass(frozen=True)
class Standing:
    """State and reason, as ``virDomainGetState`` gives them."""

    state: int
    reason: int = 0

    @property
    def is_off(self) -> bool:
        """Whether nothing of it is left on the host."""
        return bool(self.state == libvirt.VIR_DOMAIN_SHUTOFF)

    @property
    def works(self) -> bool:
        """Whether its vCPUs run, or would if they had something to do."""
        return self.state in _WORKS

    @property
    def can_shut_down(self) -> bool:
        """Whether its system can still go down in order."""
        shutting_down = self.state == libvirt.VIR_DOMAIN_SHUTDOWN
        return self.works or shutting_down or (self.state, self.reason) in _PASSING

    @property
    def trouble(self) -> str | None:
        """What keeps it from working, in words; ``None`` where nothing does."""
        if self.works:
            return None
        reasons, plain = _OTHER.get(self.state, ({}, f"it is in state {self.state}, which is not known here"))
        return reasons.get(self.reason, plain)
