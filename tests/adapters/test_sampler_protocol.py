"""What the sampler programs answer, read into counters. Meanings: Linux kernel documentation, as named beside each."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from orchestrator.adapters.samplers.protocol import (
    STAT_FIELDS,
    Decoder,
    GarbledError,
    Greeting,
    parse_greeting,
    parse_stamp,
)


def values(*lines: str, root: str = "") -> dict[str, int | float]:
    return Decoder(root).values(lines)


def test_stat_has_its_ten_columns_in_the_kernels_order() -> None:
    # filesystems/proc.rst: user nice system idle iowait irq softirq steal guest guest_nice, in USER_HZ.
    read = values("/proc/stat:cpu  1 2 3 4 5 6 7 8 9 10", "/proc/stat:cpu11 11 12 13 14 15 16 17 18 19 20")
    assert [read[f"cpu.{field}_ticks"] for field in STAT_FIELDS] == [*range(1, 11)]
    assert [read[f"cpu11.{field}_ticks"] for field in STAT_FIELDS] == [*range(11, 21)]
    assert STAT_FIELDS == ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal", "guest", "guest_nice")


def test_the_example_of_the_kernel_documentation_adds_up() -> None:
    # Figures of the /proc/stat example in filesystems/proc.rst (from memory); "cpu" aggregates the "cpuN" lines. Each
    # line is cut to whole ticks on its own, so a sum may be off by less than one tick a CPU.
    lines = (
        "cpu  237902850 368826709 106375398 1873517540 1135548 0 14507935 0 0 0",
        "cpu0 60045249 91891769 26331539 468411416 495718 0 5739640 0 0 0",
        "cpu1 59746288 91759249 26609887 468860630 312281 0 4384817 0 0 0",
        "cpu2 59489247 92985423 26904446 467808813 171668 0 2268998 0 0 0",
        "cpu3 58622065 92190267 26529524 468436680 155879 0 2114478 0 0 0",
    )
    read = values(*(f"/proc/stat:{line}" for line in lines))
    for field in STAT_FIELDS:
        each = sum(read[f"cpu{n}.{field}_ticks"] for n in range(4))
        assert abs(each - read[f"cpu.{field}_ticks"]) < 4, field


def test_an_older_kernel_has_fewer_columns_and_a_newer_one_may_have_more() -> None:
    four = values("/proc/stat:cpu0 1 2 3 4")
    assert set(four) == {"cpu0.user_ticks", "cpu0.nice_ticks", "cpu0.system_ticks", "cpu0.idle_ticks"}
    assert len(values("/proc/stat:cpu0 1 2 3 4 5 6 7 8 9 10 11 12")) == 10


def test_load_and_pressure() -> None:
    # filesystems/proc.rst, loadavg: averages over 1, 5, 15 minutes, runnable/all, last pid.
    assert values("/proc/loadavg:0.75 0.35 0.25 1/25 1747") == {"load.1min": 0.75, "load.runnable": 1}
    # accounting/psi.rst: total stall time in us; "full" is undefined for the CPUs of a whole system.
    some = "/proc/pressure/cpu:some avg10=4.87 avg60=1.76 avg300=0.44 total=4894449"
    full = "/proc/pressure/cpu:full avg10=0.00 avg60=0.00 avg300=0.00 total=0"
    assert values(some, full) == {"pressure.cpu_some_us": 4894449}


def test_frequency_and_throttling_of_a_cpu() -> None:
    cpu = "/sys/devices/system/cpu/cpu63"
    assert values(f"{cpu}/cpufreq/scaling_cur_freq:2400000") == {"cpu63.khz": 2_400_000}
    assert values(f"{cpu}/thermal_throttle/core_throttle_count:0") == {"cpu63.throttles": 0}


def test_temperature_of_a_thermal_zone() -> None:
    # driver-api/thermal/sysfs-api.rst: "temp: Current temperature as reported by thermal zone (sensor). Unit:
    # millidegree Celsius".
    assert values("/sys/class/thermal/thermal_zone12/temp:45000") == {"zone12.millicelsius": 45_000}
    assert values("/sys/class/thermal/thermal_zone0/temp:-274000") == {"zone0.millicelsius": -274_000}


def test_schedstat_of_a_thread() -> None:
    # scheduler/sched-stats.rst: 1) time spent on the cpu, 2) time spent waiting on a runqueue, 3) timeslices; ns.
    assert values("/proc/10/task/12/schedstat:620130 73979 2") == {
        "thread.12.run_ns": 620130,
        "thread.12.wait_ns": 73979,
    }
    assert values("/proc/10/schedstat:5 0 1") == {"thread.10.run_ns": 5, "thread.10.wait_ns": 0}


def test_a_kernel_that_does_not_count_is_unavailable_and_not_zero() -> None:
    # Without SCHED_INFO the kernel prints "0 0 0"; a thread that has run and never waited has a number of timeslices.
    assert values("/proc/1/task/1/schedstat:0 0 0") == {}
    assert values("/proc/1/task/1/schedstat:9 0 1")["thread.1.wait_ns"] == 0


@pytest.mark.parametrize(
    "line",
    [
        "/proc/stat:cpu0 1 -2 3 4",
        "/proc/stat:cpu0 1 2.5 3 4",
        "/proc/stat:cpux 1 2 3 4",
        "/proc/stat:intr 1 2 3 4",
        "/proc/stat:cpu0 1 2 3 \N{ARABIC-INDIC DIGIT FOUR}",
        f"/proc/stat:cpu0 {'9' * 5000} 2 3 4",
        "/proc/loadavg:nan 0.0 0.0 1/2 3",
        "/proc/loadavg:0.5",
        "/proc/loadavg:",
        "/proc/pressure/cpu:some avg10=1 total=x",
        "/proc/pressure/cpu:",
        "/proc/5/schedstat:1 2",
        "/proc/5/schedstat:1 2 3 4",
        "/proc/5/schedstat:\x1b[31m1 2 3",
        "/sys/devices/system/cpu/cpu0/cpufreq/scaling_cur_freq:<unknown>",
    ],
)
def test_what_cannot_be_read_is_left_out_and_remembered(line: str) -> None:
    decoder = Decoder("")
    assert decoder.values([line, "/proc/5/schedstat:7 8 9"]) == {"thread.5.run_ns": 7, "thread.5.wait_ns": 8}
    assert list(decoder.unreadable) == [line.partition(":")[0]]


@pytest.mark.parametrize(
    "line", ["", "hello", "/etc/passwd:root", "/proc/5/stat:1", "/proc/../x/schedstat:1 2 3", ":1"]
)
def test_a_line_from_nowhere_is_no_counter(line: str) -> None:
    with pytest.raises(GarbledError):
        values(line)


def test_paths_stand_behind_the_prefix_that_was_asked_for() -> None:
    root = "/srv/a:b*c"
    assert values(f"{root}/proc/loadavg:0.10 0.20 0.30 3/99 7", root=root)["load.runnable"] == 3
    with pytest.raises(GarbledError):
        values("/proc/loadavg:0.10 0.20 0.30 3/99 7", root=root)


def test_greetings_and_stamps() -> None:
    assert parse_greeting("trialbed-sampler 1 python 100 1") == Greeting("python", 100, 1e-9)
    assert parse_greeting("trialbed-sampler 1 shell - 10000000") == Greeting("shell", None, 0.01)
    for other in ("Welcome to bookings-1", "trialbed-sampler 2 python 100 1", "trialbed-sampler 1 python 0 1", ""):
        assert parse_greeting(other) is None
    assert parse_stamp("T 1889437217528") == ("T", 1889437217528)
    assert parse_stamp("E 0050000000") == ("E", 50_000_000)
    for other in ("T", "T -1", "X 1", "T 1 2", f"T {'9' * 21}"):
        assert parse_stamp(other) is None


@given(st.lists(st.text(max_size=60), max_size=5))
def test_no_text_raises_anything_but_garbled(texts: list[str]) -> None:
    for prefix in ("", "/proc/stat:", "/proc/loadavg:", "/proc/pressure/cpu:", "/proc/1/schedstat:"):
        try:
            read = values(*(prefix + text for text in texts))
        except GarbledError:
            continue
        assert all(value >= 0 for value in read.values())
