"""A run's leases around all that it does: taken before anything is touched, and given back on every path."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from orchestrator.core.design.plan import Plan
from orchestrator.engine.ports import Lease, Leases


@dataclass(frozen=True)
class HostUse:
    """Who uses a host now.

    Attributes:
        leases: all that stand there, by name.
        remark: what they do not tell, in words; empty where they tell all.
        trouble: why it could not be found out; ``None`` where it was.
    """

    leases: Sequence[Lease] = ()
    remark: str = ""
    trouble: str | None = None


@contextmanager
def leased(
    plan: Plan, leases: Leases, run: str, say: Callable[[str], None], away: Collection[str] = ()
) -> Iterator[list[str]]:
    """Take a run's leases, and give back what the run itself has neither given back nor left.

    Args:
        plan: what is run.
        leases: of its guest and host.
        run: its id.
        say: is told what could not be given back.
        away: guests that the run had left changed when it was cut short earlier. Until it has put them back, its leases
            are left standing where it does not get so far: whoever comes next is to know.

    Yields:
        Notices of the taking.

    Raises:
        UnreachableError: somebody else has guest or host; nothing was changed.
    """
    try:
        yield leases.take(run, plan.title, share_host=plan.share_host)
    except BaseException:
        if away:
            leases.leave()
        raise
    finally:
        if (trouble := leases.release()) is not None:
            say(trouble)
