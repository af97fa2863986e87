"""The two sampler programs as real processes: on this machine, and on machines made of files."""

from __future__ import annotations

import ast
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path

import pytest

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalProcess, LocalShell
from orchestrator.adapters.samplers.protocol import STAT_FIELDS
from orchestrator.adapters.samplers.sampler import ChannelSampler, Method, Samplers
from orchestrator.core.measure.clock import best_offset
from orchestrator.core.measure.samples import Sample, Value
from orchestrator.engine.ports import Completed
from orchestrator.errors import GuestFault, HostFault

CLOCK = SystemClock()
METHODS: tuple[Method, ...] = ("python", "shell")
both = pytest.mark.parametrize("method", METHODS)


@pytest.fixture
def shell(tmp_path: Path) -> Iterator[LocalShell]:
    home = tmp_path / "home"
    home.mkdir()
    shell = LocalShell(CLOCK, home)
    yield shell
    shell.close()


def sampler(shell: LocalShell, method: Method, root: Path | str = "", threads: Sequence[str] = ()) -> ChannelSampler:
    return Samplers(CLOCK, method).open(shell, machine="host", root=str(root), threads=threads)


def machine(root: Path, files: dict[str, str]) -> Path:
    for name, content in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    return root


def read_once(shell: LocalShell, method: Method, root: Path, threads: Sequence[str] = ()) -> dict[str, Value]:
    asked = sampler(shell, method, root, threads)
    values = dict(asked.sample().values)
    asked.close()
    return values


# ----------------------------------------------------------------------------------------- machines made of files

STAT = "cpu  30 0 12 200 1 0 0 4 0 0\ncpu0 10 0 5 100 1 0 0 2 0 0\ncpu1 20 0 7 100 0 0 0 2 0 0\nintr 99 1 2 3\nctxt 5\n"


@both
def test_an_old_kernel_without_pressure_frequency_or_late_columns(
    shell: LocalShell, tmp_path: Path, method: Method
) -> None:
    root = machine(
        tmp_path / "old",
        {"proc/stat": "cpu  1 2 3 4\ncpu0 1 2 3 4\nintr 0\n", "proc/loadavg": "0.00 0.01 0.05 1/50 99\n"},
    )
    assert read_once(shell, method, root, ["/proc/7/task/7/schedstat"]) == {
        **{f"{cpu}.{field}_ticks": n for cpu in ("cpu", "cpu0") for n, field in enumerate(STAT_FIELDS[:4], start=1)},
        "load.1min": 0.0,
        "load.runnable": 1,
        "ticks_per_s": os.sysconf("SC_CLK_TCK"),
    }


@both
def test_a_machine_with_everything(shell: LocalShell, tmp_path: Path, method: Method) -> None:
    root = machine(
        tmp_path / "with everything: and a colon",
        {
            "proc/stat": STAT,
            "proc/loadavg": "1.25 0.01 0.05 3/50 99\n",
            "proc/pressure/cpu": "some avg10=0.00 avg60=0.00 avg300=0.00 total=77\n"
            "full avg10=0.00 avg60=0.00 avg300=0.00 total=9\n",
            "sys/devices/system/cpu/cpu1/cpufreq/scaling_cur_freq": "2400000\n",
            "sys/devices/system/cpu/cpu1/thermal_throttle/core_throttle_count": "3\n",
            "sys/devices/system/cpu/cpufreq/boost": "1\n",
            "sys/class/thermal/thermal_zone0/temp": "41500\n",
            "sys/class/thermal/thermal_zone10/temp": "-2000\n",
            "sys/class/thermal/thermal_zone0/type": "x86_pkg_temp\n",
            "sys/class/thermal/cooling_device0/cur_state": "3\n",
            "proc/7/task/8/schedstat": "100 20 3\n",
            "proc/7/task/9/schedstat": "0 0 0\n",
        },
    )
    read = read_once(shell, method, root, [f"/proc/7/task/{tid}/schedstat" for tid in (8, 9, 10)])
    assert {name: value for name, value in read.items() if not name.endswith("_ticks")} == {
        "load.1min": 1.25,
        "load.runnable": 3,
        "pressure.cpu_some_us": 77,
        "cpu1.khz": 2_400_000,
        "cpu1.throttles": 3,
        "zone0.millicelsius": 41_500,
        "zone10.millicelsius": -2000,
        "thread.8.run_ns": 100,
        "thread.8.wait_ns": 20,
        "ticks_per_s": os.sysconf("SC_CLK_TCK"),
    }
    assert read["cpu0.steal_ticks"] == 2
    assert read["cpu.user_ticks"] == 30


def test_both_programs_read_the_same_on_a_large_machine(shell: LocalShell, tmp_path: Path) -> None:
    cpus = 300
    files = {
        "proc/stat": "".join(f"cpu{n} {n} 1 2 3 4 5 6 7 8 9\n" for n in range(cpus)) + "intr " + "0 " * 50_000 + "\n"
    }
    for n in range(cpus):
        files[f"sys/devices/system/cpu/cpu{n}/cpufreq/scaling_cur_freq"] = f"{1_000_000 + n}\n"
    root = machine(tmp_path / "large", files)
    first, second = (sampler(shell, method, root) for method in METHODS)
    by_python: dict[str, Value] = {}
    for _ in range(100):  # the Python program reads frequencies for 2 ms a sample, in turn
        by_python.update(first.sample().values)
        if all(f"cpu{n}.khz" in by_python for n in range(cpus)):
            break
    assert by_python == second.sample().values
    assert len(by_python) == cpus * 11 + 1


@both
def test_strange_content_is_left_out_and_told(shell: LocalShell, tmp_path: Path, method: Method) -> None:
    root = machine(tmp_path / "strange", {"proc/stat": "cpu0 1 2 x 4\ncpu1 1 2 3 4\n", "proc/loadavg": "0.1\n"})
    asked = sampler(shell, method, root)
    assert set(asked.sample().values) == {*(f"cpu1.{field}_ticks" for field in STAT_FIELDS[:4]), "ticks_per_s"}
    assert sorted(note.partition(" ")[0] for note in asked.notes) == ["/proc/loadavg", "/proc/stat"]


# ----------------------------------------------------------------------------------------------- this machine


def busy_child() -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", "while True: pass"])


def schedstat_path(pid: int) -> str:
    return f"/proc/{pid}/task/{pid}/schedstat"


def difference(first: Sample, last: Sample, name: str) -> float:
    return last.values[name] - first.values[name]


@pytest.mark.real
@both
def test_every_cpus_ticks_add_up_to_the_time_that_passed(shell: LocalShell, method: Method) -> None:
    # filesystems/proc.rst: every tick of a CPU is counted in one column; guest times are in user and nice already.
    asked = sampler(shell, method)
    first = asked.sample()
    CLOCK.sleep(1.0)
    last = asked.sample()
    passed = (last.time_s - first.time_s) * first.values["ticks_per_s"]
    cpus = [name.partition(".")[0] for name in first.values if name.endswith(".user_ticks")]
    assert len(cpus) > 1
    for cpu in cpus:
        counted = sum(difference(first, last, f"{cpu}.{field}_ticks") for field in STAT_FIELDS[:8])
        each = len(cpus) - 1 if cpu == "cpu" else 1
        assert counted == pytest.approx(passed * each, abs=(12 if method == "python" else 14) * each)
    for field in STAT_FIELDS[:3]:
        apart = (
            sum(last.values[f"{cpu}.{field}_ticks"] for cpu in cpus if cpu != "cpu") - last.values[f"cpu.{field}_ticks"]
        )
        assert abs(apart) < len(cpus)  # each line is cut to whole ticks on its own


@pytest.mark.real
@both
def test_a_busy_thread_runs_or_waits_all_the_time(shell: LocalShell, method: Method) -> None:
    # scheduler/sched-stats.rst: run and wait of a thread that never sleeps are all the time there is.
    with busy_child() as child:
        try:
            asked = sampler(shell, method, threads=[schedstat_path(child.pid)])
            CLOCK.sleep(0.2)  # beyond the interpreter's own start, which reads files
            first, before_s = asked.sample(), cpu_seconds(child.pid)
            CLOCK.sleep(0.5)
            last, after_s = asked.sample(), cpu_seconds(child.pid)
        finally:
            child.kill()
    run_s = difference(first, last, f"thread.{child.pid}.run_ns") / 1e9
    wait_s = difference(first, last, f"thread.{child.pid}.wait_ns") / 1e9
    assert run_s + wait_s == pytest.approx(last.time_s - first.time_s, abs=0.06)
    assert run_s == pytest.approx(after_s - before_s, abs=0.05)  # /proc/PID/stat counts the same in ticks


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.real
@both
def test_a_sleeping_thread_stands_still_and_an_ended_one_is_gone(shell: LocalShell, method: Method) -> None:
    with subprocess.Popen(["sleep", "60"]) as child:
        try:
            asked = sampler(shell, method, threads=[schedstat_path(child.pid), schedstat_path(os.getpid())])
            CLOCK.sleep(0.1)
            first, last = asked.sample(), asked.sample()
        finally:
            child.kill()
    name = f"thread.{child.pid}.run_ns"
    assert first.values[name] > 0
    assert difference(first, last, name) == 0
    after = asked.sample()
    assert name not in after.values
    assert f"thread.{os.getpid()}.run_ns" in after.values


@pytest.mark.real
@both
def test_the_clock_is_this_machines_own(shell: LocalShell, method: Method) -> None:
    asked = sampler(shell, method)
    measured = best_offset([asked.exchange() for _ in range(20)])
    # /proc/uptime counts time in suspension (CLOCK_BOOTTIME), CLOCK_MONOTONIC does not.
    true_s = (
        0.0
        if method == "python"
        else time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    )
    assert abs(measured.offset_s - true_s) <= measured.uncertainty_s
    assert measured.uncertainty_s < (0.005 if method == "python" else 0.02)


@pytest.mark.real
@both
def test_nothing_is_left_behind(shell: LocalShell, tmp_path: Path, method: Method) -> None:
    asked = sampler(shell, method)
    asked.sample()
    asked.close()
    assert list((tmp_path / "home").iterdir()) == []


# ------------------------------------------------------------------------------------------------ what goes wrong


class Instead(LocalShell):
    """A machine on which another program runs instead of the sampler."""

    def __init__(self, script: str, home: Path) -> None:
        super().__init__(CLOCK, home)
        self.script = script
        self.started: list[LocalProcess] = []

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> LocalProcess:
        del argv
        process = super().start(("sh", "-c", self.script), folder=folder, end_with_input=end_with_input)
        self.started.append(process)
        return process


GREETING = "echo 'trialbed-sampler 1 shell 100 1';"


def test_a_banner_before_the_greeting_is_passed_over(tmp_path: Path) -> None:
    script = f"echo Welcome; printf '\\033[2J\\n'; {GREETING} read r; echo T 5; echo E 7; cat >/dev/null"
    asked = Samplers(CLOCK, "shell").open(Instead(script, tmp_path), machine="guest")
    exchange = asked.exchange()
    assert (exchange.received_s, exchange.answered_s) == (5e-9, 7e-9)
    asked.close()


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        ("echo nonsense", "out of turn"),
        ("echo E 1", "out of turn"),
        ("echo T 5; echo E 4", "out of turn"),
        ("echo T 1; echo T 2", "out of turn"),
        ("echo T 1; echo /etc/passwd:root; echo E 2", "no counter that was asked for"),
        ("echo T 1; printf '\\033[31m\\n'; echo E 2", r"answered '\\x1b\[31m'"),
        ("echo T 1; seq 60000", "more than 50000 lines"),
        ("echo oh no >&2; exit 3", "ended with exit status 3: 'oh no'"),
        ("echo T 1; exit 0", "ended with exit status 0: it said nothing"),
    ],
)
def test_a_program_that_says_something_else_is_a_fault(tmp_path: Path, answer: str, reason: str) -> None:
    shell = Instead(f"{GREETING} read r; {answer}; cat >/dev/null", tmp_path)
    asked = Samplers(CLOCK, "shell").open(shell, machine="guest")
    with pytest.raises(GuestFault, match=reason):
        asked.sample()
    with pytest.raises(GuestFault):
        asked.exchange()
    shell.close()


@pytest.mark.parametrize(("machine_name", "fault"), [("host", HostFault), ("guest", GuestFault)])
def test_a_program_that_does_not_start_is_the_machines_fault(
    tmp_path: Path, machine_name: str, fault: type[Exception]
) -> None:
    with pytest.raises(fault, match=r"ended with exit status 2: .*cannot"):
        Samplers(CLOCK, "shell").open(Instead("echo cannot >&2; exit 2", tmp_path), machine=machine_name)


@pytest.mark.real
@both
def test_silence_is_a_fault_and_the_next_request_does_not_wait(tmp_path: Path, method: Method) -> None:
    shell = Stoppable(CLOCK, tmp_path)
    asked = Samplers(CLOCK, method, limit_s=0.3).open(shell, machine="guest")
    os.kill(shell.pids[-1], signal.SIGSTOP)
    try:
        began_s = CLOCK.monotonic()
        with pytest.raises(GuestFault, match=r"no whole answer within 0\.3 s"):
            asked.sample()
        first_s = CLOCK.monotonic() - began_s
        with pytest.raises(GuestFault, match="no whole answer"):
            asked.sample()
        assert 0.3 <= first_s < 2
        assert CLOCK.monotonic() - began_s - first_s < 0.2
    finally:
        os.kill(shell.pids[-1], signal.SIGCONT)
        shell.close()


class Stoppable(LocalShell):
    """Remembers what it started."""

    pids: list[int]

    def start(self, argv: Sequence[str], *, folder: str | None = None, end_with_input: bool = True) -> LocalProcess:
        process = super().start(argv, folder=folder, end_with_input=end_with_input)
        self.pids = [*getattr(self, "pids", []), process.pid]
        return process


def test_python_is_used_where_it_is_new_enough(shell: LocalShell, tmp_path: Path) -> None:
    asked = Samplers(CLOCK).open(shell, machine="host")
    assert asked.method == "python"
    asked.close()

    class WithoutPython(LocalShell):
        def run(self, argv: Sequence[str], **given: object) -> Completed:
            del argv, given
            return Completed(127, "", "sh: python3: not found")

    bare = WithoutPython(CLOCK, tmp_path)
    asked = Samplers(CLOCK).open(bare, machine="host")
    assert asked.method == "shell"
    asked.close()


def test_the_python_program_is_understood_by_python_3_8_and_is_ascii() -> None:
    source = resources.files("orchestrator.adapters.samplers").joinpath("python_program.py").read_text(encoding="ascii")
    ast.parse(source, feature_version=(3, 8))
