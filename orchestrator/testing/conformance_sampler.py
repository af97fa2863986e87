"""What every sampler promises the engine, as one check: the real ones and those of fakes pass it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from orchestrator.core.measure.clock import best_offset
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.ports import Clock, Sampler
from orchestrator.errors import StageError
from orchestrator.testing.insist import insist, insist_raises

#: Counters that only grow; the kernel's documentation says so of all but iowait and idle, which may fall.
_GROWING = (
    "run_ns",
    "wait_ns",
    "user_ticks",
    "nice_ticks",
    "system_ticks",
    "irq_ticks",
    "softirq_ticks",
    "steal_ticks",
    "cpu_some_us",
)
_GAUGES = ("load.1min", "load.runnable", "ticks_per_s")


def check_sampler(open_sampler: Callable[[], Sampler], clock: Clock, *, wanted: frozenset[str] = frozenset()) -> None:
    """Check the whole contract of :class:`~orchestrator.engine.ports.Sampler`.

    Args:
        open_sampler: starts a new sampler at each call, always of the same machine.
        clock: the controller's clock.
        wanted: counters that this machine has and the sampler must give.

    Raises:
        AssertionError: with the promise that was broken.
    """
    first, second = open_sampler(), open_sampler()
    try:
        insist(bool(first.method), "a sampler says by which method it reads")
        samples = _samples(first, clock)
        _counters(samples, wanted)
        _exchanges(first, second, clock)
    finally:
        first.close()
        second.close()
    first.close()
    insist_raises(StageError, first.sample, "a sampler that was closed gives no sample")
    insist_raises(StageError, first.exchange, "a sampler that was closed exchanges no timestamps")


def _samples(sampler: Sampler, clock: Clock) -> list[Sample]:
    samples = []
    for _ in range(5):
        before_s = clock.monotonic()
        sample = sampler.sample()
        insist(before_s <= sample.time_s <= clock.monotonic(), "a sample's time lies between request and answer")
        insist(sample.uncertainty_s >= 0, "an uncertainty is not negative")
        samples.append(sample)
        clock.sleep(0.02)
    for earlier, later in pairwise(samples):
        insist(earlier.time_s < later.time_s, "samples come one after the other")
        insist(earlier.source_ns <= later.source_ns, "the source's clock does not go back")
    passed_s = (samples[-1].source_ns - samples[0].source_ns) / 1e9
    slack_s = samples[0].uncertainty_s + samples[-1].uncertainty_s
    measured_s = samples[-1].time_s - samples[0].time_s
    insist(
        abs(passed_s - measured_s) <= slack_s + 0.01 * measured_s, "both clocks tell the same time between two samples"
    )
    return samples


def _counters(samples: list[Sample], wanted: frozenset[str]) -> None:
    for sample in samples:
        missing = wanted - sample.values.keys()
        insist(not missing, f"counters that the machine has are given; missing: {sorted(missing)}")
        insist(sample.values.get("ticks_per_s", 1) > 0, "ticks per second, where given, are more than 0")
        for name, value in sample.values.items():
            insist(value >= 0 or name.endswith("millicelsius"), f"counters are not negative: {name}")
            insist(isinstance(value, int) or name in _GAUGES, f"what the kernel counts is a whole number: {name}")
    for earlier, later in pairwise(samples):
        for name in earlier.values.keys() & later.values.keys():
            if name.endswith(_GROWING):
                insist(earlier.values[name] <= later.values[name], f"a cumulative counter does not fall: {name}")


def _exchanges(first: Sampler, second: Sampler, clock: Clock) -> None:
    offsets = []
    for sampler in (first, second):
        exchanges = []
        for _ in range(10):
            before_s = clock.monotonic()
            one = sampler.exchange()
            insist(
                before_s <= one.sent_s <= one.back_s <= clock.monotonic(), "controller's timestamps enclose an exchange"
            )
            insist(one.received_s <= one.answered_s, "the machine's timestamps of an exchange are in order")
            exchanges.append(one)
        offsets.append(best_offset(exchanges))
    apart_s = abs(offsets[0].offset_s - offsets[1].offset_s)
    insist(
        apart_s <= offsets[0].uncertainty_s + offsets[1].uncertainty_s + 1e-3,
        "two samplers of one machine measure the same offset, within their uncertainty",
    )
