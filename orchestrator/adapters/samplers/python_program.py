"""The sampler on the other machine: sent on its standard input, so that nothing is written there.

Needs Linux and Python 3.8. Arguments: the prefix of /proc and /sys, then schedstat files of threads. It answers ``s``
and ``c`` on standard input as :mod:`orchestrator.adapters.samplers.protocol` says, and ends with its input.
"""

from __future__ import annotations

import contextlib
import os
import resource
import sys
import time

CPU_FILES = ("cpufreq/scaling_cur_freq", "thermal_throttle/core_throttle_count")
SLOW_FILES_WITHIN_NS = 2_000_000
"""Time for the files of thermal zones and single CPUs in one sample; what is left comes with the next. A kernel may
interrupt a CPU to ask for its frequency, or ask the firmware for a temperature, which takes milliseconds for each."""


class File:
    """An open file that is read again and again from its start."""

    def __init__(self, path: str) -> None:
        self.descriptor = os.open(path, os.O_RDONLY)
        self.prefix = path.encode() + b":"
        self.size = 4096
        while len(self.read()) == self.size:
            self.size *= 4
        self.size *= 2  # room for counts to grow

    def read(self) -> bytes:
        """The content now; empty when the thread it tells of has ended, or its driver has nothing to say."""
        try:
            return os.pread(self.descriptor, self.size, 0)
        except OSError:
            return b""

    def lines(self, start: bytes = b"") -> bytes:
        """The lines that begin with ``start``, each behind the file's path."""
        return b"".join(self.prefix + line + b"\n" for line in self.read().splitlines() if line.startswith(start))


def opened(paths: list[str]) -> list[File]:
    """Those of the files that are there."""
    files = []
    for path in paths:
        with contextlib.suppress(OSError):
            files.append(File(path))
    return files


def _listed(folder: str) -> list[str]:
    return os.listdir(folder) if os.path.isdir(folder) else []  # noqa: PTH112, PTH208 - pathlib doubles the start-up


class Sampler:
    """Everything that is read for one sample."""

    def __init__(self, root: str, threads: list[str]) -> None:
        _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))  # two files a CPU, one a thread and a zone
        cpus = root + "/sys/devices/system/cpu/"
        names = sorted(name for name in _listed(cpus) if name[:3] == "cpu" and name[3:].isdigit())
        self.threads = opened(threads)
        self.stat = opened([root + "/proc/stat"])
        self.others = opened([root + "/proc/loadavg", root + "/proc/pressure/cpu"])
        thermal = root + "/sys/class/thermal/"
        zones = sorted(name for name in _listed(thermal) if name[:12] == "thermal_zone" and name[12:].isdigit())
        slow = [thermal + name + "/temp" for name in zones]
        self.slow = opened(slow + [cpus + name + "/" + file for file in CPU_FILES for name in names])
        self.turn = 0

    def sample(self) -> bytes:
        """All lines of one sample."""
        lines = [file.lines() for file in self.threads]
        lines += [file.lines(b"cpu") for file in self.stat]
        lines += [file.lines() for file in self.others]
        until_ns = time.monotonic_ns() + SLOW_FILES_WITHIN_NS
        for _ in self.slow:
            lines.append(self.slow[self.turn].lines())
            self.turn = (self.turn + 1) % len(self.slow)
            if time.monotonic_ns() > until_ns:
                break
        return b"".join(lines)


def main() -> None:
    """Answer until the input ends."""
    sampler = Sampler(sys.argv[1], sys.argv[2:])
    answer = b"trialbed-sampler 1 python %d 1\n" % os.sysconf("SC_CLK_TCK")
    while True:
        while answer:
            answer = answer[os.write(1, answer) :]
        request = sys.stdin.readline()
        received_ns = time.monotonic_ns()
        if not request:
            return
        lines = sampler.sample() if request == "s\n" else b""
        answer = b"T %d\n%sE %d\n" % (received_ns, lines, time.monotonic_ns())


if __name__ == "__main__":
    main()
