"""One workload under observation: readings and samples are gathered until the evidence is enough."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import Cell
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.clock_rate import believed_rate
from orchestrator.core.measure.samples import Reading, Sample, Throughput
from orchestrator.core.measure.throughput import throughput
from orchestrator.core.measure.watch import Enough, GaveUp, Measuring, State, Warming, watch
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import Measured
from orchestrator.engine.ports import Draft, Line, NoDraft, OutputParser, Process, Sampler, SampleSeries
from orchestrator.errors import WorkloadFault
from orchestrator.units import Seconds, format_duration

#: The series is judged anew when it has grown by this share, so that a long trial is not judged every second.
_LOOK_AGAIN_AFTER = 0.05
#: A log is for a person to read, and is held in memory until the trial is stored.
_LOG_CHARACTERS = 4 * 2**20
#: A workload that prints as often as is sampled may miss one moment and be late for the next.
_SAMPLES_OF_PATIENCE = 3


@dataclass(frozen=True)
class Channels:
    """What a trial listens to.

    Attributes:
        process: the running workload.
        guest: sampler inside the guest.
        host: sampler of the host, which may give nothing.
        offset: of the guest's clock, measured before the launch.
        draft: keeps what comes as it comes.
    """

    process: Process
    guest: Sampler
    host: HostWatch
    offset: Offset | None
    draft: Draft = field(default_factory=NoDraft)


class Observation:
    """The series of one trial as they grow.

    Args:
        plan: how to measure and when to stop.
        cell: what is measured.
        bench: the world.
        channels: what is listened to.
        at_each_step: looks at what may end the observation from outside, by an error of its own.
    """

    def __init__(
        self, plan: Plan, cell: Cell, bench: Bench, channels: Channels, at_each_step: Callable[[], None] = lambda: None
    ) -> None:
        self._plan, self._cell, self._bench = plan, cell, bench
        self._process, self._guest = channels.process, channels.guest
        self._host, self._offset, self._draft = channels.host, channels.offset, channels.draft
        self._at_each_step = at_each_step
        self._parser: OutputParser = bench.parser(cell.workload.reads_with)
        self._patience_s = max(cell.workload.quiet_after, _SAMPLES_OF_PATIENCE * plan.measure.every)
        self._log: list[str] = []
        self._log_room = _LOG_CHARACTERS
        self._dropped = 0
        self._tick = 0
        self._next_look_s = 0.0
        self.launched_s: Seconds = bench.clock.monotonic()
        self._last_figure_s = self.launched_s
        self.host_samples: list[Sample] = []
        self.guest_samples: list[Sample] = []
        self.vcpu_samples: list[Sample] = []
        self.outlook: State = Warming("launched")

    def begin(self) -> None:
        """Take the first samples and wait for the workload's first figure, which proves that it runs.

        Raises:
            WorkloadFault: it ended, or printed no figure within the plan's ``quiet-after``.
        """
        self._sample()
        until_s = self._bench.clock.monotonic() + self._patience_s
        while (left_s := until_s - self._bench.clock.monotonic()) > 0:
            line = self._process.wait_line(left_s)
            if line is not None and self._take([line]):
                return
            if line is None and self._process.ended() is not None:
                self._insist_it_runs()
        within = format_duration(self._patience_s)
        if not self._log:
            raise WorkloadFault(f"the workload printed no whole line within {within}")
        raise WorkloadFault(
            f"the workload printed no line that its reader can read within {within}; it began: {self._opening()}"
        )

    def warm_up(self) -> None:
        """Go on until the steady state has begun, or will not."""
        while isinstance(self.outlook, Warming):
            self._step()

    def measure(self) -> None:
        """Go on until the interval is narrow enough, the time is over, or there is no steady state after all."""
        while not isinstance(self.outlook, (Enough, GaveUp)):
            self._step()

    def readings(self, after: Offset | None = None) -> list[Reading]:
        """All throughput readings so far, in controller time."""
        return self._parser.readings(self._offset, after)

    def series(self, after: Offset | None = None) -> Throughput:
        """The throughput series so far."""
        reader = self._cell.workload.reads_with
        # The guest's clock goes into its rates, and into the distances of counts that carry its time.
        by_guest = reader.figure == "rate" or reader.tells_time
        clock = believed_rate(self._offset, after) if by_guest else None
        return throughput(self.readings(after), reader.figure, reader.per, clock)

    def problems(self) -> list[str]:
        """What the output held that a person should know."""
        lost = [f"{self._dropped} lines of output were not kept in the log"] if self._dropped else []
        return [*self._parser.problems(), *lost]

    def log(self) -> str:
        """The workload's output as it came, with its standard error at the end."""
        with suppress(WorkloadFault):  # the last lines are kept whether they can be read or not
            self._take(self._process.lines())
        errors = self._process.errors()
        return "\n".join([*self._log, *([f"--- standard error ---\n{errors}"] if errors else [])]) + "\n"

    def _step(self) -> None:
        clock, every_s = self._bench.clock, self._plan.measure.every
        # Of moments that were missed, because a machine was slow to answer, only the last is made up for: no burst.
        self._tick = max(self._tick + 1, int((clock.monotonic() - self.launched_s) / every_s))
        clock.sleep(self.launched_s + self._tick * every_s - clock.monotonic())
        self._at_each_step()
        self._take(self._process.lines())
        self._sample()  # after the lines, so that the counters cover every reading
        self._insist_it_runs()
        self._look()

    def _sample(self) -> None:
        self._add("vcpu", self.vcpu_samples, self._bench.hypervisor.counters())
        self._add("guest", self.guest_samples, self._guest.sample())
        self._add("host", self.host_samples, self._host.sample())

    def _add(self, series: SampleSeries, samples: list[Sample], sample: Sample | None) -> None:
        if sample is not None:
            samples.append(sample)
            self._draft.sample(series, sample)

    def _take(self, lines: list[Line]) -> int:
        self._draft.lines(lines)
        for line in lines:
            self._log_room -= len(line.text) + 1
            if self._log_room >= 0:
                self._log.append(line.text + (" [cut]" if line.cut else ""))
            else:
                self._dropped += 1
        figures = self._parser.feed(lines)
        if figures:
            self._last_figure_s = self._bench.clock.monotonic()
        return figures

    def _insist_it_runs(self) -> None:
        status = self._process.ended()
        if status is not None:
            if status < 0:  # it was killed, or the line was lost: the sampler's own questions go over the same line
                self._guest.sample()
            said = self._process.errors().strip()[-300:] or self._opening()
            raise WorkloadFault(
                f"the workload ended by itself with exit status {status} before it was measured; it said: {said}"
            )
        silent_s = self._bench.clock.monotonic() - self._last_figure_s
        if silent_s > self._patience_s:
            raise WorkloadFault(
                f"the workload has printed no figure for {format_duration(silent_s)} (limit: the plan's quiet-after)"
            )

    def _look(self) -> None:
        now_s = self._bench.clock.monotonic()
        if now_s < self._next_look_s:
            return
        self._next_look_s = now_s + (now_s - self.launched_s) * _LOOK_AGAIN_AFTER
        series = self.series()
        self.outlook = watch(series, self.launched_s, self._plan.measure, self._plan.decide.confidence, now_s)
        if len(series.rate):
            self._bench.reporter.tell(self._news(float(series.rate[-1])))

    def _news(self, rate: float) -> Measured:
        target = self._plan.measure.steady.until_within
        match self.outlook:
            case Measuring(interval=interval) | Enough(interval=interval) if (
                interval.low is not None and interval.high is not None
            ):
                within = (interval.high - interval.low) / 2 / interval.mean if interval.mean else None
                return Measured(rate, interval, target, within, "measuring")
            case Warming(detail=detail):
                return Measured(rate, None, target, None, detail)
            case _:
                return Measured(rate, None, target, None, "measuring")

    def _opening(self) -> str:
        return repr(" | ".join(self._log[:3])[:200]) if self._log else "(nothing)"
