"""Counter samples with known truth: each counter grows at a constant rate."""

from __future__ import annotations

from collections.abc import Mapping

from orchestrator.core.measure.samples import Sample, Value
from orchestrator.units import NANOSECONDS_PER_SECOND


def growing(  # noqa: PLR0913 - all but the rates are keywords
    rates: Mapping[str, float],
    *,
    start_s: float,
    end_s: float,
    every_s: float = 1.0,
    uncertainty_s: float = 0.0,
    constants: Mapping[str, Value] | None = None,
) -> list[Sample]:
    """Samples at ``start_s``, ``start_s + every_s`` and so on, up to ``end_s``.

    Args:
        rates: counter name to what it grows by in a second, from a start of its own.
        start_s: controller's monotonic time of the first sample.
        end_s: no sample is later.
        every_s: distance of two samples.
        uncertainty_s: half-width of each sample's time.
        constants: values that stay as they are, such as frequencies.
    """
    count = int((end_s - start_s) / every_s + 1e-9) + 1
    base = {name: 1_000_000 * (place + 1) for place, name in enumerate(rates)}
    samples = []
    for step in range(count):
        elapsed = step * every_s
        values: dict[str, Value] = {name: base[name] + round(rate * elapsed) for name, rate in rates.items()}
        values.update(constants or {})
        time_s = start_s + elapsed
        samples.append(Sample(time_s, uncertainty_s, round(time_s * NANOSECONDS_PER_SECOND), values))
    return samples
