"""What measuring concludes: estimates, windows, shares, checks and the summary of a trial, as values to be kept."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """A value that the store keeps: frozen, finite, and closed against keys that this version does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Interval(Record):
    """An estimate with its confidence interval; the bounds are ``None`` where none can be given."""

    mean: float
    low: float | None
    high: float | None
    effective_samples: float | None = None
    freedom: float | None = None
    """Degrees of freedom of the variance behind the bounds (Student's t)."""


class Window(Record):
    """The steady window, in seconds since the workload was launched."""

    start_s: float
    end_s: float


class VcpuShare(Record):
    """Where one vCPU's wall time went, as fractions that add up to 1; ``None`` where the counter is unavailable."""

    vcpu: int
    run: float
    wait: float | None
    idle: float | None
    uncertainty: float
    """Half-width of each share, from the clocks, the counters' step and, for a process guest, surplus time."""


class AverageShare(Record):
    """Where the vCPUs' wall time went on average, as fractions; ``None`` where not even that is known."""

    run: float | None = None
    wait: float | None = None
    idle: float | None = None


_WRITTEN = {"cpu": "CPU", "vcpu": "vCPU"}


class Check(Record):
    """One check of a trial. ``flag`` means: look at it before you believe the trial."""

    name: str
    state: Literal["ok", "flag", "unavailable"]
    detail: str

    @property
    def title(self) -> str:
        """Its name as a person writes it: ``vCPU accounting``. Runs keep, and programs read, the name."""
        return " ".join(_WRITTEN.get(word, word) for word in self.name.split())


class ClockOffset(Record):
    """Offset of a machine's clock from the controller's, by RFC 5905's four timestamps (smallest round trip wins)."""

    machine: Literal["host", "guest"]
    when: Literal["before", "after"]
    offset_s: float
    uncertainty_s: float
    exchanges: int
    at_s: float | None = None
    """The controller's monotonic time to which it belongs."""


class TrialSummary(Record):
    """What was concluded from a trial's series, by :func:`orchestrator.core.measure.summary.summarise`."""

    steady: bool
    reason: str
    """Why steady, or why not, in words."""
    window: Window | None
    throughput: Interval | None
    """Operations per second over the steady window."""
    vcpus: tuple[VcpuShare, ...]
    cpu_seconds_per_operation: float | None
    host_busy: float | None
    """Busy share of all the host's CPUs within the window."""
    guest_steal: float | None
    checks: tuple[Check, ...]
    kind: str | None = None
    """Why not steady, in a word or two: drift, step, swing, bistable, growing variance, too short ..."""
    warm_up_earliest_s: float | None = None
    warm_up_latest_s: float | None = None
    """Between these the warm-up ended, in seconds since launch; the window begins at the safe end of what is known."""
    period_s: float | None = None
    """From one regular slowdown to the next, where there are such; the window then holds whole periods."""
    left_out: tuple[str, ...] = ()
    """Readings that cannot be true, and why."""
    vcpus_average: AverageShare | None = None
    """Instead of ``vcpus``, of readings that were taken by hand."""
