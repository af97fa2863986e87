"""One workload under observation: readings and samples are gathered until the evidence is enough."""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.core.design.plan import Plan
from orchestrator.core.design.trials import Cell
from orchestrator.core.measure.clock import Offset
from orchestrator.core.measure.samples import Reading, Sample, Throughput
from orchestrator.core.measure.throughput import throughput
from orchestrator.core.measure.watch import Enough, GaveUp, Measuring, State, Warming, watch
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.news import Measured
from orchestrator.engine.ports import Line, OutputParser, Process, Sampler
from orchestrator.errors import WorkloadFault
from orchestrator.units import Seconds, format_duration

#: The series is judged anew when it has grown by this share, so that a long trial is not judged every second.
_LOOK_AGAIN_AFTER = 0.05
_LOG_LINES = 20_000


@dataclass(frozen=True)
class Channels:
    """What a trial listens to.

    Attributes:
        process: the running workload.
        guest: sampler inside the guest.
        host: sampler of the host, which may give nothing.
        offset: of the guest's clock, measured before the launch.
    """

    process: Process
    guest: Sampler
    host: HostWatch
    offset: Offset | None


class Observation:
    """The series of one trial as they grow.

    Args:
        plan: how to measure and when to stop.
        cell: what is measured.
        bench: the world.
        channels: what is listened to.
    """

    def __init__(self, plan: Plan, cell: Cell, bench: Bench, channels: Channels) -> None:
        self._plan, self._cell, self._bench = plan, cell, bench
        self._process, self._guest = channels.process, channels.guest
        self._host, self._offset = channels.host, channels.offset
        self._parser: OutputParser = bench.parser(cell.workload.reads_with)
        self._log: list[str] = []
        self._dropped = 0
        self._tick = 0
        self._next_look_s = 0.0
        self.launched_s: Seconds = bench.clock.monotonic()
        self._last_figure_s = self.launched_s
        self.host_samples: list[Sample] = []
        self.guest_samples: list[Sample] = []
        self.vcpu_samples: list[Sample] = []
        self.outlook: State = Warming("launched")

    def begin(self, timeout_s: Seconds) -> None:
        """Take the first samples and wait for the workload's first figure, which proves that it runs.

        Raises:
            WorkloadFault: it ended, or printed no figure in time.
        """
        self._sample()
        limit_s = min(timeout_s, max(self._cell.workload.quiet_after, self._plan.measure.every))
        until_s = self._bench.clock.monotonic() + limit_s
        while (left_s := until_s - self._bench.clock.monotonic()) > 0:
            line = self._process.wait_line(left_s)
            if line is not None and self._take([line]):
                return
            if line is None and self._process.ended() is not None:
                self._insist_it_runs()
        raise WorkloadFault(
            f"the workload printed no line that its reader can read within {format_duration(limit_s)}; "
            f"its output began: {self._opening()}"
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
        return throughput(self.readings(after), reader.figure, reader.per)

    def problems(self) -> list[str]:
        """What the output held that a person should know."""
        lost = [f"{self._dropped} lines of output were not kept in the log"] if self._dropped else []
        return [*self._parser.problems(), *lost]

    def log(self) -> str:
        """The workload's output as it came, with its standard error at the end."""
        self._take(self._process.lines())
        errors = self._process.errors()
        return "\n".join([*self._log, *([f"--- standard error ---\n{errors}"] if errors else [])]) + "\n"

    def _step(self) -> None:
        self._tick += 1
        clock = self._bench.clock
        clock.sleep(self.launched_s + self._tick * self._plan.measure.every - clock.monotonic())
        self._sample()
        if self._take(self._process.lines()):
            self._last_figure_s = clock.monotonic()
        self._insist_it_runs()
        self._look()

    def _sample(self) -> None:
        self.vcpu_samples.append(self._bench.hypervisor.counters())
        self.guest_samples.append(self._guest.sample())
        if (sample := self._host.sample()) is not None:
            self.host_samples.append(sample)

    def _take(self, lines: list[Line]) -> int:
        room = max(_LOG_LINES - len(self._log), 0)
        self._log.extend(line.text + (" [cut]" if line.cut else "") for line in lines[:room])
        self._dropped += max(len(lines) - room, 0)
        return self._parser.feed(lines)

    def _insist_it_runs(self) -> None:
        status = self._process.ended()
        if status is not None:
            said = self._process.errors().strip()[-300:] or self._opening()
            raise WorkloadFault(
                f"the workload ended by itself with exit status {status} before it was measured; it said: {said}"
            )
        silent_s = self._bench.clock.monotonic() - self._last_figure_s
        if silent_s > max(self._cell.workload.quiet_after, 3 * self._plan.measure.every):
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
