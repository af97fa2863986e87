"""In which sittings a run was measured: a run that was interrupted and resumed much later has more than one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from orchestrator.core.record.trial import TrialRecord
from orchestrator.units import Seconds, utc_seconds

#: A longer time from the end of one trial to the start of the next begins another sitting: the host may be another by
#: then (common practice, no published source). Shorter ones are trials that were cut off and begun anew.
PAUSE_S: Seconds = 1800.0
#: A clock is set by so much without anybody noticing; a trial that begins earlier was timed by another clock.
_SET_BACK_S: Seconds = 60.0


@dataclass(frozen=True)
class Sitting:
    """Trials that followed one another.

    Attributes:
        blocks: those of which all trials belong to it, in order.
        pause_s: from the end of the sitting before to its start; ``None`` for the first, and where that is not known.
    """

    blocks: tuple[int, ...]
    pause_s: Seconds | None = None


def sittings(trials: Sequence[TrialRecord]) -> tuple[Sitting, ...]:
    """The sittings of a run, in order; empty where its trials followed one another without a break.

    Args:
        trials: that ended, whatever came of them, in any order.
    """
    ordered = sorted(trials, key=lambda trial: trial.number)
    pauses: list[Seconds | None] = [None]
    of_block: dict[int, set[int]] = {}
    for position, trial in enumerate(ordered):
        pause_s = _between(ordered[position - 1], trial) if position else 0.0
        if pause_s > PAUSE_S or pause_s < -_SET_BACK_S:
            pauses.append(pause_s if pause_s > 0 else None)
        of_block.setdefault(trial.block, set()).add(len(pauses) - 1)
    if len(pauses) == 1:
        return ()
    return tuple(Sitting(_whole(of_block, number), pause_s) for number, pause_s in enumerate(pauses))


def _whole(of_block: Mapping[int, set[int]], sitting: int) -> tuple[int, ...]:
    return tuple(sorted(block for block, in_sittings in of_block.items() if in_sittings == {sitting}))


def _between(before: TrialRecord, after: TrialRecord) -> Seconds:
    ended_s, began_s = utc_seconds(before.ended_utc), utc_seconds(after.started_utc)
    return 0.0 if ended_s is None or began_s is None else began_s - ended_s
