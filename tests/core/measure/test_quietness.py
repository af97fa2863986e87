"""A few seconds of a host's counters: how busy, pressed and warm it is, and what a plan says to that."""

from __future__ import annotations

import pytest

from orchestrator.core.design.quiet import QuietHost
from orchestrator.core.measure.quietness import Quietness, disturbances, figures, quietness, untold
from orchestrator.core.measure.samples import Sample, Value


def reading(at_s: float, **counters: Value) -> Sample:
    return Sample(at_s, 0.0, int(at_s * 1e9), {name.replace("__", "."): value for name, value in counters.items()})


def seen(**known: float | int | None) -> Quietness:
    unknown: dict[str, float | int | None] = {"busy": None, "pressure": None, "warmest_c": None, "throttled": None}
    return Quietness(seconds=3.0, **(unknown | known))  # type: ignore[arg-type]


def test_busy_is_a_share_of_all_cpus_and_guest_time_is_not_counted_twice() -> None:
    # filesystems/proc.rst: guest is inside user; idle and iowait are no work, and steal is nobody's here.
    before = reading(10, cpu__user_ticks=0, cpu__system_ticks=0, cpu__idle_ticks=0, cpu__guest_ticks=0)
    after = reading(12, cpu__user_ticks=60, cpu__system_ticks=20, cpu__idle_ticks=320, cpu__guest_ticks=60)
    assert quietness([before, after]).busy == pytest.approx(80 / 400)


def test_pressure_is_stall_time_over_wall_time() -> None:
    # accounting/psi.rst: total is the absolute stall time in us.
    found = quietness([reading(10, pressure__cpu_some_us=5_000_000), reading(14, pressure__cpu_some_us=5_600_000)])
    assert found.pressure == pytest.approx(0.15)
    assert found.seconds == 4


def test_the_warmest_zone_counts_by_its_latest_reading() -> None:
    # driver-api/thermal/sysfs-api.rst: temp is in millidegree Celsius; one without a sensor may show nonsense.
    first = reading(1, zone0__millicelsius=81_000, zone1__millicelsius=40_000, zone2__millicelsius=-274_000)
    last = reading(2, zone0__millicelsius=45_500)
    assert quietness([first, last]).warmest_c == 45.5


def test_a_throttled_cpu_is_seen_even_where_a_reading_lacks_it() -> None:
    readings = [reading(1, cpu0__throttles=7, cpu1__throttles=3), reading(2, cpu1__throttles=3)]
    assert quietness([*readings, reading(3, cpu0__throttles=9, cpu1__throttles=3)]).throttled == 1
    assert quietness([*readings, reading(3, cpu0__throttles=7)]).throttled == 0


def test_what_a_host_does_not_show_is_unknown_and_not_nothing() -> None:
    assert quietness([reading(1), reading(2)]) == Quietness(1.0, None, None, None, None)
    assert quietness([reading(1, cpu__user_ticks=1, cpu__idle_ticks=1)]) == Quietness(0.0, None, None, None, None)
    assert untold(seen(), QuietHost()) == ("how busy it is",)
    asked = QuietHost.model_validate({"pressure-below": "10 %", "cooler-than": "70 C"})
    assert untold(seen(busy=0.0), asked) == ("its CPU pressure", "its temperature")
    assert untold(seen(busy=0.0, pressure=0.0, warmest_c=20.0), asked) == ()


def test_each_limit_is_a_limit_of_its_own_and_below_means_below() -> None:
    asked = QuietHost.model_validate({"busy-below": "5 %", "pressure-below": "10 %", "cooler-than": "70 C"})
    assert disturbances(seen(busy=0.049, pressure=0.099, warmest_c=69.9, throttled=0), asked) == ()
    assert disturbances(seen(busy=0.05), asked) == ("5 % of its CPU time is used (to be below 5 %)",)
    assert disturbances(seen(pressure=0.25), asked) == (
        "some task waits for a CPU 25 % of the time (to be below 10 %)",
    )
    assert disturbances(seen(warmest_c=83.25), asked) == ("it is 83.2 °C warm (to be below 70 °C)",)
    assert disturbances(seen(throttled=1), asked) == ("a CPU is throttled for heat",)
    assert len(disturbances(seen(busy=1.0, pressure=1.0, warmest_c=90, throttled=8), asked)) == 4


def test_what_the_plan_does_not_ask_about_disturbs_nobody_but_throttling_always_does() -> None:
    assert disturbances(seen(busy=0.0, pressure=0.9, warmest_c=99.0), QuietHost()) == ()
    assert disturbances(seen(busy=0.0, throttled=2), QuietHost()) == ("2 CPUs are throttled for heat",)


def test_figures_are_those_that_are_known() -> None:
    assert figures(seen(busy=0.004, warmest_c=41.0)) == "0.4 % of its CPU time used, 41 °C"
    assert figures(seen()) == ""
