"""CPU time that no look at the tasks has seen: that of processes and threads which lived for less than a tick.

The kernel keeps it: a process's user and system time includes its ended threads', and that of its children is added to
it when it waits for them (proc(5), fields 14 to 17 of ``/proc/PID/stat``). What these have more than the tasks that
were seen is what was not.
"""

from __future__ import annotations

#: The kernel's figures are cut to ticks of 10 ms, four times; less than that is not told from nothing.
TOLERANCE_NS = 30_000_000


class Ledger:
    """What was seen of each process, ended threads and ended children included; in ns."""

    def __init__(self) -> None:
        self._seen_ns: dict[int, int] = {}
        self._parents: dict[int, int] = {}

    @property
    def processes(self) -> list[int]:
        """Processes in the book."""
        return list(self._seen_ns)

    def opened(self, pid: int, parent: int) -> None:
        """A process has been found; a second thread of it changes nothing."""
        self._seen_ns.setdefault(pid, 0)
        self._parents.setdefault(pid, parent)

    def saw(self, pid: int, run_ns: int) -> None:
        """A thread of the process was seen to have run."""
        if pid in self._seen_ns:
            self._seen_ns[pid] += run_ns

    def closed(self, pid: int) -> None:
        """A process has ended; its parent gets its time when it waits for it."""
        seen_ns, parent = self._seen_ns.pop(pid, 0), self._parents.pop(pid, 0)
        self.saw(parent, seen_ns)

    def unseen(self, pid: int, family_ns: int) -> int:
        """What a process's family has run that nobody saw and that was not returned before.

        Args:
            pid: the process.
            family_ns: its user and system time and that of the children it has waited for.
        """
        missing_ns = family_ns - self._seen_ns[pid]
        if missing_ns <= TOLERANCE_NS:
            return 0
        self._seen_ns[pid] += missing_ns
        return missing_ns
