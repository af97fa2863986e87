"""Why a guest fell silent: what its hypervisor knows, and failing that what its vCPUs are doing.

Whatever goes wrong here changes nothing about the failure that is being explained.
"""

from __future__ import annotations

from contextlib import suppress

from orchestrator.core.measure.shares import vcpu_shares
from orchestrator.engine.bench import Bench
from orchestrator.errors import GuestFault, StageError
from orchestrator.units import Seconds, format_duration, format_percent

_LOOK_S: Seconds = 1.0
#: An idle Linux guest runs 0.1 to 0.4 % of the time.
_IDLE = 0.02


def trouble_of(bench: Bench) -> str | None:
    """What the hypervisor knows to be wrong with a guest that should run; ``None`` also where it cannot be asked."""
    with suppress(Exception):  # a driver that fails here, in whatever way, must not hide what went wrong before
        return bench.hypervisor.trouble()
    return None


def explained(error: StageError, bench: Bench) -> StageError:
    """The failure of a guest that had been started, with what can be found out about it from outside.

    Args:
        error: what a stage failed with.
        bench: its hypervisor is asked.

    Returns:
        A GuestFault that has the hypervisor's own words where it knows of trouble, put in front unless the error has
        them already; the error with what the vCPUs did in the next second, or why that cannot be told, where it does
        not and the guest fell silent; else the error itself.
    """
    trouble = trouble_of(bench)
    if trouble is not None and trouble in str(error):
        trouble = _a_moment_later(bench) or trouble  # a guest that crashes is paused first
    if trouble is not None:
        return _named(trouble, error)
    if not (error.silent and isinstance(error, GuestFault)):
        return error
    busy: float | None = None
    unanswered = ""
    try:
        busy = _busy(bench)
    except StageError as why:
        unanswered = str(why)
    except Exception:  # noqa: BLE001, S110 - whatever a driver raises, the error is told as it stands
        pass
    # The line breaks in the moment in which a guest's process dies; its hypervisor notices a little later, and until
    # then the guest can look like one that stands still.
    trouble = _a_moment_later(bench) if busy is None or busy < _IDLE else trouble_of(bench)
    if trouble is not None:
        return _named(trouble, error)
    if busy is None:
        # A guest whose process on the host is stopped answers neither; that is for a person to see there.
        return error.reworded(f"{error}; {unanswered}") if unanswered else error
    ran = f"its vCPUs ran {format_percent(busy)} of {format_duration(_LOOK_S)} after that"
    busy_words = "it is busy, as a kernel that crashed or has too little memory can be"
    cause = "it is frozen inside" if busy < _IDLE else busy_words
    found = f"the hypervisor says that it runs; {ran}, so {cause}, or its network is cut"
    return error.reworded(f"{error}; {found}")


def _a_moment_later(bench: Bench) -> str | None:
    """What the hypervisor says when it has had the time to notice."""
    with suppress(Exception):
        bench.clock.sleep(_LOOK_S)
    return trouble_of(bench)


def _named(trouble: str, error: StageError) -> StageError:
    return error.reworded(str(error) if trouble in str(error) else f"{trouble}; {error}", GuestFault)


def _busy(bench: Bench) -> float | None:
    """Mean share of the time for which the guest's vCPUs run now."""
    first = bench.hypervisor.counters()
    bench.clock.sleep(_LOOK_S)
    last = bench.hypervisor.counters()
    shares = vcpu_shares([first, last], first.time_s, last.time_s)
    return sum(share.run for share in shares) / len(shares) if shares else None
