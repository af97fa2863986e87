"""The vCPU layer: a user-space scheduler of a guest's tasks over its vCPUs.

Each vCPU admits one task at a time, as a hypervisor's vCPU thread is one task to its host. Tasks beyond that are held
in one queue and take turns, the one that has used least CPU time first; so the guest's own queueing never shows up as
waiting for the host. Blocked tasks are left alone. Nothing is pinned: an admitted task goes wherever the host's
scheduler puts it.

The layer looks at the tasks every few milliseconds while any is held, and rarely while there is nothing to decide.
Between two looks a task may wake beside the principal, or a principal may block while others are held. The bank of
:mod:`orchestrator.hypervisors.here.accounting` makes up for both: idle time is saved up and spent by admitting a second
task for a moment, and what was run too much is paid back, so that a vCPU gets one CPU's worth, no more and no less.
"""

from __future__ import annotations

from collections.abc import Iterable

from orchestrator.hypervisors.here.accounting import Standing, Task, Vcpu
from orchestrator.hypervisors.here.holds import Ended, Holder, Stopped, started_on
from orchestrator.hypervisors.here.tasks import ENDED, RUNNABLE, Proc
from orchestrator.hypervisors.here.tasks import TICK_NS as USER_TICK_NS
from orchestrator.hypervisors.here.unseen import Ledger

_MS = 1_000_000
#: A held task waits so long for its turn, per task ahead of it: the order of a kernel's own slice under load, and long
#: against a switch.
SLICE_NS = 20 * _MS
#: Between two looks after one that found something to decide; the kernel's own timer has a period of 4 ms at the usual
#: 250 Hz.
TICK_NS = 5 * _MS
#: Looks that find nothing come at ever longer distances, up to these: while tasks are held, and while none is.
LONGEST_TICK_NS = 20 * _MS
IDLE_TICK_NS = 50 * _MS
#: A stop that is not announced (SIGSTOP) has to be looked for.
STOP_TICK_NS = 1 * _MS
#: So far a bank may be overdrawn before tasks beside the principal are held: a short errand is not worth a switch.
ALLOWED_NS = 4 * _MS
#: So far before the vCPU rests.
REST_NS = 12 * _MS
#: Length of the windows in which the surplus is reckoned; longer than the steps in which run delay appears.
WINDOW_NS = 50 * _MS
#: CPU time that no look has seen is looked up so often, and with every reading of the counters.
UNSEEN_NS = 500 * _MS
#: States of a thread that is held: traced, or stopped by a signal.
STOPPED = "tT"


class VcpuLayer:
    """Schedules and accounts the tasks of one guest between power-on and power-off. Times are monotonic, in ns."""

    def __init__(self, count: int, proc: Proc, holder: Holder, now_ns: int) -> None:
        self.vcpus = [Vcpu(number, now_ns) for number in range(count)]
        self._proc = proc
        self._holder = holder
        self._tasks: dict[int, Task] = {}
        self._queue: list[Task] = []
        self._floor_ns = 0
        self._ledger = Ledger()
        self._counted_ns = now_ns
        self._looked_ns = now_ns
        self._window_ns = now_ns
        self._tick_ns = TICK_NS
        self._closing = False

    # ------------------------------------------------------------------------------------------------ what comes in

    def track(self, processes: Iterable[int]) -> None:
        """Take in the threads of these processes that are not known yet."""
        for pid in processes:
            for tid in self._proc.threads(pid):
                if tid not in self._tasks:
                    self._take_in(pid, tid)

    def _take_in(self, pid: int, tid: int) -> None:
        try:
            files = self._proc.open(pid, tid)
        except OSError:
            return  # ended meanwhile
        task = Task(pid, tid, files, self._roomiest(), used_ns=self._floor_ns)
        try:
            stat = files.stat()
            if stat.state in ENDED:
                raise ProcessLookupError
        except OSError:
            files.close()
            return
        self._ledger.opened(pid, stat.parent)
        self._tasks[tid] = task

    def hear(self, item: Stopped | Ended, now_ns: int) -> None:
        """Take in what the kernel told of a held task."""
        task = self._tasks.get(item.tid)
        if task is None:
            if isinstance(item, Stopped):
                self._holder.let_go(item.tid, item.tid, item.signal)
        elif isinstance(item, Ended):
            self._forget(task, now_ns)
        elif task.standing is Standing.STOPPING:
            self._stopped(task, item.signal, now_ns)

    def step(self, now_ns: int) -> int:
        """Look at the tasks, charge what they did, decide who runs. Returns the ns until the next look is due."""
        self._look(now_ns)
        if now_ns - self._window_ns >= WINDOW_NS:
            self._close_window(now_ns)
        if now_ns - self._counted_ns >= UNSEEN_NS:
            self._charge_unseen(now_ns)
        if self._closing:
            return TICK_NS
        eventful = self._seat_all(now_ns) | self._deal_with_others()
        self._rotate(now_ns)
        return self._next_look(now_ns, eventful=eventful)

    def _next_look(self, now_ns: int, *, eventful: bool) -> int:
        """The ns until the next look."""
        if not self._holder.announces and any(task.standing is Standing.STOPPING for task in self._tasks.values()):
            return STOP_TICK_NS
        self._tick_ns = (
            TICK_NS if eventful else min(2 * self._tick_ns, LONGEST_TICK_NS if self._queue else IDLE_TICK_NS)
        )
        if not self._queue:
            return self._tick_ns
        ahead_ns = min(vcpu.seated_ns for vcpu in self.vcpus) + SLICE_NS - now_ns
        return max(min(self._tick_ns, ahead_ns), STOP_TICK_NS) if ahead_ns > 0 else TICK_NS

    def counters(self, now_ns: int) -> dict[str, int]:
        """Cumulative counters of all vCPUs since power-on; no ``wait_ns`` where the kernel does not count it."""
        self._look(now_ns)
        self._charge_unseen(now_ns)
        self._close_window(now_ns)
        values: dict[str, int] = {}
        for vcpu in self.vcpus:
            values[f"vcpu.{vcpu.number}.run_ns"] = vcpu.run_ns
            if self._proc.has_schedstat:
                values[f"vcpu.{vcpu.number}.wait_ns"] = vcpu.wait_ns
                values[f"vcpu.{vcpu.number}.surplus_ns"] = vcpu.surplus_ns
        return values

    def let_all_go(self) -> None:
        """Hold nobody any more: the guest is being switched off."""
        self._closing = True
        while self._queue:
            self._let_go(self._queue.pop())

    def close(self) -> None:
        """Forget every task."""
        for task in self._tasks.values():
            task.files.close()
        self._tasks.clear()
        self._queue.clear()

    # ------------------------------------------------------------------------------------------------------ looking

    def _look(self, now_ns: int) -> None:
        """Read every task that may have run, and charge it."""
        for task, run_ns, wait_ns in self._charge_principals(now_ns):
            if task.standing is Standing.FREE and (vcpu := self._untouched_for(task)) is not None:
                # It had the vCPU to itself since it woke: it was the principal before anybody looked.
                vcpu.seat(task, self._looked_ns)
            task.vcpu.charge(task, run_ns, wait_ns)
        for vcpu in self.vcpus:
            if not vcpu.occupied:
                vcpu.settle(now_ns)
        self._looked_ns = now_ns
        if not self._holder.announces:
            self._look_for_stops(now_ns)

    def _charge_principals(self, now_ns: int) -> list[tuple[Task, int, int]]:
        """Read every task that may have run. Returns those that have and are nobody's principal, with run and wait."""
        others: list[tuple[Task, int, int]] = []
        for task in list(self._tasks.values()):
            if task.standing is Standing.HELD:
                continue
            try:
                moved = self._read(task)
            except OSError:
                self._forget(task, now_ns)
                continue
            if moved is None:
                continue
            if task is task.vcpu.principal:
                task.vcpu.charge(task, *moved)
            else:
                others.append((task, *moved))
        return others

    def _read(self, task: Task) -> tuple[int, int] | None:
        """What a task has run and waited since it was read last; ``None`` when neither ran nor changed its state."""
        counters = task.files.counters()
        if counters is None:
            return None
        moved, slept = task.advance(counters), not task.runnable
        task.state = task.files.stat().state
        if task.state in ENDED:
            raise ProcessLookupError
        if slept and task.runnable:
            task.used_ns = max(task.used_ns, self._floor_ns)
        self._ledger.saw(task.pid, moved[0])
        return moved

    def _look_for_stops(self, now_ns: int) -> None:
        for task in list(self._tasks.values()):
            if task.standing is Standing.STOPPING:
                try:
                    task.state = task.files.stat().state
                except OSError:
                    self._forget(task, now_ns)
                    continue
                if task.state in STOPPED:
                    self._stopped(task, 0, now_ns)

    def _charge_unseen(self, now_ns: int) -> None:
        """Charge what ended between two looks, to vCPUs that have room for it."""
        self._counted_ns = now_ns
        for pid in self._ledger.processes:
            if (stat := self._proc.stat(pid)) is not None:
                self._roomiest().charge_unseen(self._ledger.unseen(pid, stat.family_ticks * USER_TICK_NS))

    def _close_window(self, now_ns: int) -> None:
        others_run_ns = sum(vcpu.others_run_ns for vcpu in self.vcpus)
        for vcpu in self.vcpus:
            vcpu.close_window(others_run_ns)
        self._window_ns = now_ns
        for task in [task for task in self._tasks.values() if task.standing is Standing.HELD]:
            self._audit(task, now_ns)

    def _audit(self, task: Task, now_ns: int) -> None:
        """A held task may have been let go by somebody else (SIGCONT), exchanged by exec, or killed."""
        try:
            state = task.files.stat().state
        except OSError:
            state = ENDED[0]
        if state in ENDED:
            self._forget(task, now_ns)
        elif state not in STOPPED:
            self._queue.remove(task)
            task.standing, task.state = Standing.FREE, state

    # ----------------------------------------------------------------------------------------------------- deciding

    def _untouched_for(self, task: Task) -> Vcpu | None:
        if task.vcpu.untouched:
            return task.vcpu
        return next((vcpu for vcpu in self.vcpus if vcpu.untouched), None)

    def _roomiest(self) -> Vcpu:
        return max(self.vcpus, key=lambda vcpu: (not vcpu.occupied, vcpu.bank_ns))

    def _others(self) -> list[Task]:
        """Tasks that run, or want to, without being anybody's principal."""
        return [
            task
            for task in self._tasks.values()
            if task.standing is Standing.FREE and task.runnable and task is not task.vcpu.principal
        ]

    def _next_in_queue(self) -> Task:
        task = min(self._queue, key=lambda task: task.used_ns)
        self._queue.remove(task)
        return task

    def _seat_all(self, now_ns: int) -> bool:
        """Give every vCPU that has nothing to do a task that wants to run: one that already does, else the queue's.

        Returns:
            Whether any vCPU was given a task from the queue though nobody's slice had ended, or rests.
        """
        others, eventful = self._others(), False
        for vcpu in self.vcpus:
            vcpu.resting = vcpu.bank_ns < (-ALLOWED_NS if vcpu.resting else -REST_NS)
            if vcpu.resting and vcpu.occupied:
                self._hold(vcpu.principal)
            eventful |= vcpu.resting
            if vcpu.occupied or vcpu.resting:
                continue
            if others:
                task = next((task for task in others if task.vcpu is vcpu), others[0])
                others.remove(task)
                vcpu.seat(task, now_ns)
            elif self._queue:
                eventful |= vcpu.principal is not None  # it has blocked, and may do so again soon
                task = self._next_in_queue()
                vcpu.seat(task, now_ns)
                self._let_go(task, vcpu.cpu)
        return eventful

    def _deal_with_others(self) -> bool:
        """Hold tasks beside a principal while the bank is overdrawn; admit one while there is time in it.

        Returns:
            Whether any task runs beside a principal.
        """
        others = self._others()
        for task in others:
            task.vcpu = max(self.vcpus, key=lambda vcpu: vcpu.bank_ns)
            if task.vcpu.bank_ns < -ALLOWED_NS:
                self._hold(task)
        for vcpu in self.vcpus:
            if vcpu.bank_ns > ALLOWED_NS and self._queue:
                task = self._next_in_queue()
                task.vcpu = vcpu
                self._let_go(task)
                others.append(task)
        return bool(others)

    def _rotate(self, now_ns: int) -> None:
        """Hold principals whose slice has ended and who have used more than a task in the queue: most first."""
        seated = [vcpu.principal for vcpu in self.vcpus if vcpu.principal is not None and vcpu.occupied]
        queued = sorted(task.used_ns for task in self._queue)
        self._floor_ns = max(self._floor_ns, min((*queued, *(task.used_ns for task in seated)), default=0))
        leaving = sum(task.standing is Standing.STOPPING for task in seated)
        due = [t for t in seated if t.standing is Standing.FREE and now_ns - t.vcpu.seated_ns >= SLICE_NS]
        due.sort(key=lambda task: task.used_ns, reverse=True)
        for task, used_ns in zip(due, queued[leaving:], strict=False):
            if task.used_ns > used_ns:
                self._hold(task)

    # ------------------------------------------------------------------------------------------------------- acting

    def _hold(self, task: Task | None) -> None:
        if task is not None and task.standing is Standing.FREE and task.holdable:
            if self._holder.hold(task.pid, task.tid):
                task.standing = Standing.STOPPING
            else:
                task.holdable = False

    def _stopped(self, task: Task, deliver: int, now_ns: int) -> None:
        """A task has come to its stop: its counters are final for this turn."""
        task.deliver = deliver
        try:
            if (counters := task.files.counters()) is not None:
                moved = task.advance(counters)
                self._ledger.saw(task.pid, moved[0])
                task.vcpu.charge(task, *moved)
        except OSError:
            self._forget(task, now_ns)
            return
        task.standing, task.state = Standing.HELD, STOPPED[0]
        if task is task.vcpu.principal:
            task.vcpu.vacate(now_ns)
            task.vcpu.cpu = task.files.stat().cpu
        self._queue.append(task)
        if self._closing:
            self._queue.remove(task)
            self._let_go(task)

    def _let_go(self, task: Task, cpu: int | None = None) -> None:
        """Let a held task run on, at first on the given CPU.

        A vCPU's thread stays where it is when its guest changes tasks. A task that wakes instead is put where it was
        before, perhaps behind another vCPU of the same guest, and would wait there until the host's scheduler balances
        its load.
        """
        task.standing, task.state = Standing.FREE, RUNNABLE
        with started_on(task.tid, cpu):
            self._holder.let_go(task.pid, task.tid, task.deliver)
        task.deliver = 0

    def _forget(self, task: Task, now_ns: int) -> None:
        """A task has ended. What it ran after it was read last, less than a tick's worth, is lost."""
        if task.standing is Standing.HELD:
            self._queue.remove(task)
        if task is task.vcpu.principal:
            task.vcpu.vacate(now_ns)
        del self._tasks[task.tid]
        task.files.close()
        if not any(other.pid == task.pid for other in self._tasks.values()):
            self._ledger.closed(task.pid)
