"""vCPU threads are found among real processes that look like QEMU's, by every shell that a host may have."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

pytest.importorskip("libvirt")

from orchestrator.adapters.clock import SystemClock
from orchestrator.adapters.local_shell import LocalShell
from orchestrator.engine.ports import Completed
from orchestrator.hypervisors.libvirt.threads import vcpu_threads

pytestmark = pytest.mark.real

UUID = "5a7c0000-0000-4000-8000-0000000000ff"
#: Names its threads as its arguments say, tells their ids, and lives until its standard input ends.
PROGRAM = """
import sys, threading
def named(name):
    tid = threading.get_native_id()
    with open(f"/proc/self/task/{tid}/comm", "w") as comm:
        comm.write(name)
    told.append(str(tid))
    ready.release()
    threading.Event().wait()
told, ready = [], threading.Semaphore(0)
for name in sys.argv[1].split(","):
    threading.Thread(target=named, args=(name,), daemon=True).start()
    ready.acquire()
print(*told, flush=True)
sys.stdin.read()
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("emulator") / "qemu-system-example"
    file.write_text(PROGRAM)
    return file


@contextmanager
def emulator(program: Path, names: str, uuid: str = UUID) -> Iterator[dict[str, str]]:
    """A process with QEMU's way to name threads and to be told its uuid. Gives thread names to schedstat files."""
    argv = [
        sys.executable,
        str(program),
        names,
        "-name",
        "guest=b,debug-threads=on",
        "-uuid",
        uuid,
        "-display",
        "none",
    ]
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        tids = process.stdout.readline().split()
        try:
            yield {
                name: f"/proc/{process.pid}/task/{tid}/schedstat"
                for name, tid in zip(names.split(","), tids, strict=True)
            }
        finally:
            process.kill()


class ShellOf(LocalShell):
    """A login whose ``sh`` is a certain one."""

    def __init__(self, sh: Sequence[str], home: Path) -> None:
        super().__init__(SystemClock(), home)
        self._sh = sh

    def run(self, argv: Sequence[str], **how: object) -> Completed:
        assert argv[0] == "sh"
        return super().run([*self._sh, *argv[1:]], **how)  # type: ignore[arg-type]


SHELLS = [found for found in (["dash"], ["bash", "--posix"], ["busybox", "sh"]) if shutil.which(found[0])]


@pytest.mark.parametrize("sh", SHELLS, ids=[" ".join(sh) for sh in SHELLS])
def test_each_vcpus_thread_is_found(sh: Sequence[str], program: Path, tmp_path: Path) -> None:
    other = UUID.replace("ff", "fe")
    with (
        emulator(program, "CPU 0/KVM,CPU 11/KVM,IO mon_iothread,worker") as threads,
        emulator(program, "CPU 0/KVM", other),
    ):
        found = vcpu_threads(ShellOf(sh, tmp_path), UUID)
    assert found == {0: threads["CPU 0/KVM"], 11: threads["CPU 11/KVM"]}


def test_under_software_emulation_too(program: Path, tmp_path: Path) -> None:
    with emulator(program, "CPU 0/TCG,CPU 1/TCG") as threads:
        assert vcpu_threads(ShellOf(["sh"], tmp_path), UUID) == {n: threads[f"CPU {n}/TCG"] for n in (0, 1)}


def test_a_guest_that_is_not_there_has_none(tmp_path: Path) -> None:
    assert vcpu_threads(ShellOf(["sh"], tmp_path), UUID) == {}


def test_two_processes_that_claim_to_be_the_guest_are_not_believed(program: Path, tmp_path: Path) -> None:
    with ExitStack() as both:
        for _ in range(2):
            both.enter_context(emulator(program, "CPU 0/KVM"))
        assert vcpu_threads(ShellOf(["sh"], tmp_path), UUID) == {}
