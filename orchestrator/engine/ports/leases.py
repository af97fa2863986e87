"""Who uses a host and its guests now, so that two runs never take the same one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol, TypeAlias

from orchestrator.core.design.wording import printable
from orchestrator.units import Seconds, format_duration

_LONGEST_TITLE = 80
#: Begins the name of a lease on a host that others may share.
SHARED = "host-shared-"

LeaseState: TypeAlias = Literal["held", "stale", "abandoned"]


@dataclass(frozen=True)
class Lease:
    """A lease as it stands on a host.

    Attributes:
        name: ``host``, ``host-shared-<token>`` or ``guest-<driver>-<domain>``.
        owner: who holds it, as ``user@machine``; empty where the lease does not tell.
        pid: the holder's process on that machine.
        run, title: the run that it was taken for.
        guest: the guest that the run measures, by its name in the lab.
        since_utc: when it was taken, by the clock of who took it.
        silent_s: how long ago its holder was last heard of, by the host's clock.
        state: ``held`` while its holder is heard of; ``stale`` when that was too long ago; ``abandoned`` when it is
            known to have ended without giving it back.
    """

    name: str
    owner: str
    pid: int | None
    run: str
    title: str
    guest: str
    since_utc: str
    silent_s: Seconds
    state: LeaseState

    @property
    def shared(self) -> bool:
        """Whether it is one of several that a host may carry at a time."""
        return self.name.startswith(SHARED)

    @property
    def holder(self) -> str:
        """Who holds it, for what and since when, in words that are safe to print."""
        who = printable(self.owner) or "somebody whom the lease does not name"
        process = "" if self.pid is None else f" (process {self.pid})"
        run = f" for run {printable(self.run)}" if self.run else ""
        since = f", since {printable(self.since_utc[:19].replace('T', ' '))} UTC" if self.since_utc else ""
        return f"{who}{process}{run}{_quoted(self.title)}{since}"

    @property
    def standing(self) -> str:
        """Whether its holder is alive, in words."""
        silent = format_duration(float(round(self.silent_s)))
        if self.state == "held":
            return f"last heard of {silent} ago"
        if self.state == "stale":
            return f"not heard of for {silent}"
        return "which has ended without giving it back"


def _quoted(title: str) -> str:
    cut = title if len(title) <= _LONGEST_TITLE else f"{title[:_LONGEST_TITLE]}..."
    return f" ({printable(cut)})" if title else ""


class Leases(Protocol):
    """The leases of one run on one guest and its host. A run takes them before it touches anything."""

    @property
    def where(self) -> str:
        """Where they are kept, in words, and from whom they do not protect; empty where there are none."""

    def look(self) -> list[Lease]:
        """The leases that a run of this guest would meet, whatever their state; nothing is changed.

        Raises:
            StageError: the host cannot be asked.
        """

    def take(self, run: str, title: str, *, share_host: bool) -> list[str]:
        """Take every lease that the run needs, or none.

        Args:
            run: the run's id; leases of the same run whose holder has died are taken over.
            title: what the run is for.
            share_host: whether other runs may measure on the same host meanwhile, if they agree as well.

        Returns:
            Notices: what was taken over, and what these leases do not protect from.

        Raises:
            UnreachableError: somebody else holds one, and who; or the host cannot be asked.
        """

    @property
    def held(self) -> Sequence[str]:
        """The leases that are held, each as ``host: name``, for the journal."""

    @property
    def lost(self) -> str | None:
        """Why a lease is no longer ours, once that was noticed; never waits."""

    def release(self) -> str | None:
        """Give back what is held; safe to call twice, and never raises.

        Returns:
            What could not be given back and what to do, in words.
        """

    def leave(self) -> None:
        """End without giving back, as where a guest is not back: what stands says ``abandoned``. Never raises."""


class NoLeases:
    """Leases for where nobody else can come: a lab of its own in every run."""

    where = ""
    held: Sequence[str] = ()
    lost: str | None = None

    def look(self) -> list[Lease]:
        """Nothing stands in the way."""
        return []

    def take(self, run: str, title: str, *, share_host: bool) -> list[str]:  # noqa: ARG002 - the protocol's
        """Take nothing."""
        return []

    def release(self) -> str | None:
        """Nothing was taken."""
        return None

    def leave(self) -> None:
        """Nothing was taken."""
