"""Which scripted fault strikes now: by the number of the trial, and for so many attempts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from orchestrator.hypervisors.simulated.settings import Fault, FaultKind
from orchestrator.units import Seconds

#: The kinds that strike a running load, some time after its launch.
IN_FLIGHT: tuple[FaultKind, ...] = (
    "drops-line",
    "falls-silent",
    "reboots",
    "clock-frozen",
    "counter-falls",
    "workload-exits",
    "workload-hangs",
    "workload-floods",
    "workload-counts-back",
)


class Mishaps:
    """The scripted faults of a simulation and the trial they are asked about.

    Attributes:
        trial: the number of the trial in hand; 0 before the first.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.trial = 0
        self._faults = faults
        self._struck: Counter[Fault] = Counter()

    def next_trial(self) -> None:
        """Another trial begins."""
        self.trial += 1
        self._struck.clear()

    def strikes(self, kind: FaultKind) -> Fault | None:
        """The fault of this kind that strikes at this attempt, if there is one; asking is the attempt."""
        for fault in self._faults:
            if (
                fault.kind == kind
                and fault.strikes(self.trial)
                and (fault.attempts is None or self._struck[fault] < fault.attempts)
            ):
                self._struck[fault] += 1
                return fault
        return None

    def in_flight(self, launched_s: Seconds) -> dict[FaultKind, Seconds]:
        """When each kind of fault strikes the load launched at ``launched_s``, for those that do."""
        found = {kind: self.strikes(kind) for kind in IN_FLIGHT}
        return {kind: launched_s + fault.at for kind, fault in found.items() if fault is not None}
