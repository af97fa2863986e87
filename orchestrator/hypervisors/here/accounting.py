"""The account of one vCPU: run, wait, and the bound on their error.

A vCPU has a *principal*, the one task that is admitted to it. The principal's run and run delay are the vCPU's own, as
those of a hypervisor's vCPU thread would be. Any *other* task of the vCPU that runs, because it woke between two looks
or because the vCPU had idle time in the bank, adds its run to the vCPU's too (CPU time is CPU time), but not its run
delay, which may be the guest's own queueing. What of the run delay is in doubt is the surplus::

    surplus = run delay of the others + min(run delay of the principal, run of the others)

summed over windows that are longer than the steps in which the kernel moves its counters, and with it all the run of
tasks that came and went between two looks, whose wait nobody knows.

The *bank* is what keeps a vCPU worth one CPU: idle time is paid in, run of others is paid out, and the layer holds
tasks while it is overdrawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from orchestrator.hypervisors.here.tasks import RUNNABLE, Counters, ThreadFiles

#: Idle time that a vCPU can save up, in ns. It has to cover the time between two looks at the tasks, so that a
#: principal that blocks often costs the vCPU nothing; more would let a guest run wide of its shape for longer.
BANK_LIMIT_NS = 20_000_000


class Standing(Enum):
    """What the layer has done with a task."""

    FREE = auto()
    STOPPING = auto()
    HELD = auto()


@dataclass(eq=False)
class Task:
    """One thread of the guest.

    Attributes:
        vcpu: where its time is charged.
        state: the kernel's letter for it when last looked at.
        deliver: a signal that was on its way to it when it was held.
        used_ns: what the queue is ordered by: CPU time, but no less than that of the others when it wakes.
        holdable: ``False`` once the kernel has refused to let it be held.
    """

    pid: int
    tid: int
    files: ThreadFiles
    vcpu: Vcpu
    run_ns: int = 0
    wait_ns: int = 0
    used_ns: int = 0
    state: str = RUNNABLE
    standing: Standing = Standing.FREE
    deliver: int = 0
    holdable: bool = True

    @property
    def runnable(self) -> bool:
        """Whether it was running or waiting for a CPU when last looked at."""
        return self.state == RUNNABLE

    def advance(self, counters: Counters) -> tuple[int, int]:
        """Take new counters; returns the run and wait since then, never negative (exec may exchange threads)."""
        wait = counters.wait_ns or 0
        moved = max(0, counters.run_ns - self.run_ns), max(0, wait - self.wait_ns)
        self.run_ns, self.wait_ns = counters.run_ns, wait
        self.used_ns += moved[0]
        return moved


@dataclass(eq=False)
class Vcpu:
    """One vCPU's account; all times in ns.

    Attributes:
        bank_ns: idle time saved up; negative while more was run than one CPU can.
        resting: nothing is admitted until the bank is in order again.
        seated_ns: when the principal's slice began.
        cpu: physical CPU that the last principal left when it was held.
    """

    number: int
    settled_ns: int
    principal: Task | None = None
    seated_ns: int = 0
    cpu: int | None = None
    run_ns: int = 0
    wait_ns: int = 0
    surplus_ns: int = 0
    bank_ns: int = 0
    resting: bool = False
    _busy_ns: int = 0
    _principal_wait_ns: int = 0
    _others_wait_ns: int = 0
    others_run_ns: int = 0

    @property
    def occupied(self) -> bool:
        """Whether the principal is there and wants its CPU."""
        task = self.principal
        return task is not None and (task.runnable or task.standing is Standing.STOPPING)

    @property
    def untouched(self) -> bool:
        """Whether nothing ran here since the account was settled last, and nothing wants to."""
        return not self.occupied and not self.resting and self._busy_ns == 0

    def seat(self, task: Task, now_ns: int) -> None:
        """Admit a task as principal; its slice begins."""
        self.settle(now_ns)
        self.principal, task.vcpu, self.seated_ns = task, self, now_ns

    def vacate(self, now_ns: int) -> None:
        """The principal has left; its counters are final."""
        self.settle(now_ns)
        self.principal = None

    def charge(self, task: Task, run_ns: int, wait_ns: int) -> None:
        """Book what a task of this vCPU has run and waited."""
        self.run_ns += run_ns
        if task is self.principal:
            self.wait_ns += wait_ns
            self._busy_ns += run_ns + wait_ns
            self._principal_wait_ns += wait_ns
        else:
            self.bank_ns -= run_ns
            self.others_run_ns += run_ns
            self._others_wait_ns += wait_ns if task.holdable else wait_ns + run_ns

    def charge_unseen(self, run_ns: int) -> None:
        """Book CPU time of tasks that have come and gone unseen; what they waited is not known."""
        self.run_ns += run_ns
        self.surplus_ns += run_ns
        self.bank_ns -= run_ns

    def settle(self, now_ns: int) -> None:
        """Pay idle time into the bank; only while the principal is neither on a CPU nor runnable: then it is exact."""
        idle_ns = now_ns - self.settled_ns - self._busy_ns
        self.bank_ns = min(self.bank_ns + max(idle_ns, 0), BANK_LIMIT_NS)
        self.settled_ns, self._busy_ns = now_ns, 0

    def close_window(self, others_run_ns: int) -> None:
        """Book the surplus of the window that ends; ``others_run_ns`` is the whole guest's, since its tasks float."""
        self.surplus_ns += self._others_wait_ns + min(self._principal_wait_ns, others_run_ns)
        self._others_wait_ns = self._principal_wait_ns = self.others_run_ns = 0
