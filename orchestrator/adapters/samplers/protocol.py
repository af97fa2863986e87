"""The text that both sampler programs answer with, read into counters.

The program greets with ``trialbed-sampler 1 METHOD TICKS RESOLUTION``: ticks per second of /proc/stat (``-`` where it
cannot tell) and the step of its clock in ns. Then each request line, ``s`` for a sample or ``c`` for the clock only,
is answered by ``T NS`` (its clock when the request arrived), for a sample the lines read as ``PATH:LINE``, and ``E NS``
(its clock when the answer left). A file that the machine does not have is not among the lines.

Field meanings: Linux kernel documentation, ``filesystems/proc.rst`` (/proc/stat, /proc/loadavg),
``scheduler/sched-stats.rst`` (schedstat), ``accounting/psi.rst`` (pressure), ``admin-guide/pm/cpufreq.rst`` and
``driver-api/thermal/sysfs-api.rst`` (thermal zones).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from orchestrator.core.measure.samples import Value

STAT_FIELDS = ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal", "guest", "guest_nice")
USUAL_TICKS_PER_S = 100
_GREETING = re.compile(r"trialbed-sampler 1 (\w+) (\d{1,6}|-) (\d{1,10})")
_STAMP = re.compile(r"([TE]) (\d{1,20})")
_CPU = re.compile(r"cpu\d{0,6}")
_CPU_FILE = re.compile(
    r"/sys/devices/system/cpu/(cpu\d{1,6})/(cpufreq/scaling_cur_freq|thermal_throttle/core_throttle_count)"
)
_ZONE = re.compile(r"/sys/class/thermal/thermal_zone(\d{1,6})/temp")
_SCHEDSTAT = re.compile(r"/proc/(?:\d{1,10}/task/)?(\d{1,10})/schedstat")
_LOAD = re.compile(r"(\d{1,9}\.\d{1,9}) \S+ \S+ (\d{1,9})/\d+ \d+", re.ASCII)
_PRESSURE = re.compile(r"some .*\btotal=(\d{1,20})")
_WHOLE = re.compile(r"\d{1,20}", re.ASCII)
_SIGNED = re.compile(r"-?\d{1,9}", re.ASCII)

_Counters = dict[str, Value]


class GarbledError(Exception):
    """A line that no sampler says."""


@dataclass(frozen=True)
class Greeting:
    """What a program says of itself: ticks of /proc/stat per second, ``None`` if unknown, and its clock's step."""

    method: str
    ticks_per_s: int | None
    resolution_s: float


def parse_greeting(text: str) -> Greeting | None:
    """Read a greeting; ``None`` for any other line (a login may print a banner first)."""
    match = _GREETING.fullmatch(text)
    if match is None or match[2] == "0":
        return None
    return Greeting(match[1], None if match[2] == "-" else int(match[2]), int(match[3]) / 1e9)


def parse_stamp(text: str) -> tuple[str, int] | None:
    """Read ``T NS`` or ``E NS``; ``None`` for any other line."""
    match = _STAMP.fullmatch(text)
    return (match[1], int(match[2])) if match is not None else None


class Decoder:
    """Turns the lines of a sample into counters, and remembers what it could not read.

    Args:
        root: prefix of ``/proc`` and ``/sys`` as the program was given it.
    """

    def __init__(self, root: str) -> None:
        self._root = root
        self._readers: dict[str, Callable[[str], _Counters]] = {}
        self.unreadable: dict[str, str] = {}
        """Path to the first line of it that could not be read."""

    def values(self, lines: Iterable[str]) -> _Counters:
        """Counters by name; one that cannot be read is left out, as one that is missing.

        Raises:
            GarbledError: a line that does not come from a file that was asked for.
        """
        values: _Counters = {}
        for line in lines:
            path, colon, content = line.removeprefix(self._root).partition(":")
            if not colon or not line.startswith(self._root):
                raise GarbledError(line)
            try:
                values.update(self._reader(path)(content))
            except ValueError:
                self.unreadable.setdefault(path, content)
        return values

    def _reader(self, path: str) -> Callable[[str], _Counters]:
        reader = self._readers.get(path)
        if reader is None:
            reader = self._readers[path] = _reader_of(path)
        return reader


def _reader_of(path: str) -> Callable[[str], _Counters]:
    fixed = {"/proc/stat": _stat, "/proc/loadavg": _load, "/proc/pressure/cpu": _pressure}
    if path in fixed:
        return fixed[path]
    if (match := _SCHEDSTAT.fullmatch(path)) is not None:
        thread = f"thread.{match[1]}"
        return lambda content: _schedstat(thread, content)
    if (match := _CPU_FILE.fullmatch(path)) is not None:
        counter = f"{match[1]}.{'khz' if match[2].startswith('cpufreq') else 'throttles'}"
        return lambda content: {counter: _whole(content)}
    if (match := _ZONE.fullmatch(path)) is not None:
        zone = f"zone{match[1]}.millicelsius"
        return lambda content: {zone: _signed(content)}
    raise GarbledError(path)


def _whole(text: str) -> int:
    if _WHOLE.fullmatch(text) is None:
        raise ValueError(text)
    return int(text)


def _signed(text: str) -> int:
    if _SIGNED.fullmatch(text) is None:
        raise ValueError(text)
    return int(text)


def _stat(content: str) -> _Counters:
    """``cpu`` or ``cpuN`` and up to ten counts: older kernels keep fewer, newer ones may add some."""
    cpu, *counts = content.split()
    if _CPU.fullmatch(cpu) is None:
        raise ValueError(content)
    return {f"{cpu}.{field}_ticks": _whole(count) for field, count in zip(STAT_FIELDS, counts, strict=False)}


def _load(content: str) -> _Counters:
    """Averages over 1, 5 and 15 minutes, runnable/existing tasks, the last process id."""
    match = _LOAD.fullmatch(content)
    if match is None:
        raise ValueError(content)
    return {"load.1min": float(match[1]), "load.runnable": int(match[2])}


def _pressure(content: str) -> _Counters:
    """Total stall time of some tasks; ``full`` is undefined for a whole machine's CPUs and not read."""
    if content.startswith("full "):
        return {}
    match = _PRESSURE.fullmatch(content)
    if match is None:
        raise ValueError(content)
    return {"pressure.cpu_some_us": int(match[1])}


def _schedstat(thread: str, content: str) -> _Counters:
    """Time on a CPU and on a run queue in ns, and the number of timeslices.

    A kernel that does not count prints three zeros, and so does one that does for a thread that has never run. Neither
    tells how long the thread ran or waited, so nothing is given; a thread that has run has timeslices.
    """
    run, wait, slices = (_whole(field) for field in content.split())
    return {f"{thread}.run_ns": run, f"{thread}.wait_ns": wait} if slices else {}
