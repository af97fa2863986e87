"""What is said of a lease that somebody else holds, or that was lost."""

from __future__ import annotations

from collections.abc import Sequence

from orchestrator.core.design.wording import printable
from orchestrator.engine.ports import Lease


def what_of(name: str, host: str) -> str:
    """``host bench-1``, or ``guest bookings-1 on host bench-1``, from a lease's name."""
    if not name.startswith("guest-"):
        return f"host {host}"
    return f"guest {name.removeprefix('guest-').partition('-')[2]} on host {host}"


def refusal(lease: Lease, beside: Sequence[str], host: str, *, own: bool, sharing: bool) -> str:
    """Why a run cannot begin, and what to do.

    Args:
        lease: what is in the way.
        beside: names of all leases of the same holder.
        host: by its name in the lab.
        own: whether it was taken for the same run.
        sharing: whether the run that is refused would share the host.
    """
    begin = f"{what_of(lease.name, host)} is in use, so nothing was changed: {lease.holder}, {lease.standing}. "
    if lease.state == "held" and own:
        return f"{begin}That is the same run: where its process has died, this lease is stale within a minute; try then"
    if lease.state == "held":
        share = not lease.name.startswith("guest-") and not (sharing and lease.shared)
        return f"{begin}Wait for it to end" + (
            "; or have both plans say share-host: true, if they may disturb each other" if share else ""
        )
    resume = f" (trialbed resume {printable(lease.run)}, where that run is kept)" if lease.run else ""
    return f"{begin}Make sure that it is over and its guest is back{resume}; then: {breaking(beside, host)}"


def breaking(names: Sequence[str], host: str) -> str:
    """The command that breaks leases."""
    return f"trialbed leases LAB --host {host} {' '.join(f'--break {printable(name)}' for name in names)}"


def kept_from(answer: str) -> str:
    """Why a keeper could not break a lease."""
    owner = printable(answer.partition(" ")[2]) or "another user"
    return f"its file is {owner}'s there, and only that user or root can remove it"


def taken_over(lease: Lease, host: str) -> str:
    """A note of a lease of the run's own that was taken over."""
    return f"the lease on {what_of(lease.name, host)} was still this run's, {lease.standing}; it was taken over"


def lost(name: str, host: str, now: Lease | None) -> str:
    """Why a lease is no longer ours."""
    begin = f"the lease on {what_of(name, host)} was broken or removed"
    if now is None:
        return f"{begin} by somebody; see that nobody else uses it before going on"
    return f"{begin}, and is held now by {now.holder}"


def not_given_back(names: Sequence[str], host: str, reason: str) -> str:
    """That leases stand although the run is over."""
    return (
        f"the leases on host {host} could not be given back ({reason}); they are stale within a minute; then: "
        f"{breaking(names, host)}"
    )
