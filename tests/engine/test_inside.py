"""The look from inside: what a guest reports against the shape that was asked for."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from orchestrator.core.design.shape import Shape
from orchestrator.engine.inside import INSIDE_SCRIPT, PowerOn, count_cpus, differences, verify
from orchestrator.engine.ports import Completed
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import GuestFault

GIB = 2**30


def shape(vcpus: int = 2, memory: str = "1 GiB") -> Shape:
    """A shape as a plan declares it."""
    return Shape.model_validate({"name": "two", "vcpus": vcpus, "memory": memory})


@pytest.mark.parametrize(
    ("ranges", "count"),
    # The list format of the Linux kernel: Documentation/admin-guide/cputopology.rst and kernel-parameters.rst.
    [("0", 1), ("0-1", 2), ("0-3,6", 5), ("0,2,4-7", 6), ("0-255", 256)],
)
def test_cpu_lists_are_counted_as_the_kernel_writes_them(ranges: str, count: int) -> None:
    assert count_cpus(ranges) == count


def test_a_guest_as_asked_for_has_no_differences() -> None:
    # A kernel counts less than it was given: 1 GiB less what it keeps to itself.
    assert differences({"online": "0-1", "memory_kib": str(990_000)}, shape()) == []


def test_every_difference_is_named_with_both_figures() -> None:
    found = differences({"online": "0", "memory_kib": str(2 * GIB // 1024)}, shape())
    assert found == ["1 CPU is online where 2 were asked for", "it has 2 GiB of memory where 1 GiB were asked for"]


@pytest.mark.parametrize("seen", [{}, {"online": "x", "memory_kib": "lots"}, {"online": "", "memory_kib": "-5"}])
def test_what_the_guest_does_not_tell_is_a_difference(seen: dict[str, str]) -> None:
    assert differences(seen, shape()) == [
        "it does not tell how many CPUs are online",
        "it does not tell how much memory it has",
    ]


def test_far_too_little_memory_is_seen() -> None:
    assert "memory" in differences({"online": "0-1", "memory_kib": "400000"}, shape())[0]


class Guest:
    """A login in a guest of the right shape that tells of itself what it is told to."""

    def __init__(self, **more: str) -> None:
        self.tells = {"online": "0-1", "memory_kib": "990000"} | more

    def run(self, *_argv: object, **_how: object) -> Completed:
        return Completed(0, "".join(f"{key}={value}\n" for key, value in self.tells.items()), "")


def looked(guest: Guest, *, since_s: float = 10.0, last_boot_id: str | None = None) -> dict[str, str]:
    """What is seen of a guest that was started so long ago."""
    clock = VirtualClock()
    power_on = PowerOn(clock, clock.monotonic(), last_boot_id)
    clock.sleep(since_s)
    return verify(guest, "", shape(), 10.0, power_on)  # type: ignore[arg-type]


@pytest.mark.parametrize("up_s", ["0.50", "9.99", "12.09", "10"])
def test_a_guest_that_was_started_for_this_trial_is_right(up_s: str) -> None:
    # A little more than 10 s: its clock may be 1 % fast, and its power-on acknowledged late.
    assert looked(Guest(uptime_s=up_s))["uptime_s"] == up_s


@pytest.mark.parametrize("up_s", ["12.11", "3600.00", "123456789.12"])
def test_a_guest_that_has_been_up_for_longer_is_an_old_one(up_s: str) -> None:
    with pytest.raises(GuestFault, match=r"it has been up for .* and was started 10 s ago: another guest, or an old"):
        looked(Guest(uptime_s=up_s))


def test_the_longer_ago_the_start_the_more_a_clock_may_differ() -> None:
    assert looked(Guest(uptime_s="1011"), since_s=1000)
    with pytest.raises(GuestFault):
        looked(Guest(uptime_s="1013"), since_s=1000)


@pytest.mark.parametrize("tells", [{}, {"uptime_s": ""}, {"uptime_s": "inf"}, {"uptime_s": "1e9"}, {"uptime_s": "-1"}])
def test_a_guest_without_a_readable_uptime_is_not_doubted_for_that(tells: dict[str, str]) -> None:
    """A process guest has none of its own; its boot id is looked at all the same."""
    assert looked(Guest(boot_id="b", **tells), last_boot_id="a")["boot_id"] == "b"
    with pytest.raises(GuestFault, match="boot id is that of the trial before"):
        looked(Guest(boot_id="a", **tells), last_boot_id="a")


@pytest.mark.real
@pytest.mark.parametrize("interpreter", ["/bin/sh", "/usr/bin/busybox"])
def test_the_script_reads_this_machine_and_a_tree_under_a_prefix(interpreter: str, tmp_path: Path) -> None:
    if not Path(interpreter).exists():
        interpreter = "/bin/sh"
    command = [interpreter, "sh"] if interpreter.endswith("busybox") else [interpreter]

    def look(root: str) -> dict[str, str]:
        done = subprocess.run([*command, "-c", INSIDE_SCRIPT, "sh", root], capture_output=True, text=True, check=True)
        return dict(line.split("=", 1) for line in done.stdout.splitlines())

    here = look("")
    assert count_cpus(here["online"]) >= 1
    assert here["boot_id"] == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert int(here["memory_kib"]) > 1000
    assert 0 <= float(Path("/proc/uptime").read_text().split()[0]) - float(here["uptime_s"]) < 5

    (tmp_path / "sys/devices/system/cpu").mkdir(parents=True)
    (tmp_path / "sys/devices/system/cpu/online").write_text("0-2\n")
    assert look(str(tmp_path)) == {"online": "0-2"}
