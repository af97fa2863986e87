"""The host's own counters, over one channel for the whole run.

They tell of other load, and of the vCPUs' threads as the host itself counts them; losing them does not cost a trial: it
is told, and the channel is opened again for the next trial.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace

from orchestrator.core.measure.clock import Exchange
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.bench import Bench
from orchestrator.engine.news import Notice
from orchestrator.engine.ports import Sampler, Shell
from orchestrator.errors import StageError

_LOG_IN_WITHIN_S = 20.0


class HostWatch:
    """Samples the host where it can be logged in to; otherwise says so once and gives nothing."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._shell: Shell | None = None
        self._sampler: Sampler | None = None
        self._threads: Mapping[int, str] = {}
        self._names: Mapping[str, str] = {}
        self._told: set[str] = set()
        self._why = "it has not been logged in to"

    def ready(self) -> None:
        """Be ready to sample the guest that is running now; never raises for a host that cannot be reached.

        The login is kept for the whole run. The sampler is started anew when the vCPUs' threads are others than before,
        as they are after each power-on.
        """
        try:
            if self._shell is None and not self._log_in():
                return
            threads = self._find_threads()
            if self._sampler is None or threads != self._threads:
                self._open_sampler(threads)
        except StageError as error:
            self._lose(error)

    def ready_without_guest(self) -> None:
        """Be ready to sample the host while the guest is off, so without its vCPUs; as :meth:`ready`, never raises."""
        try:
            if (self._shell is not None or self._log_in()) and self._sampler is None:
                self._open_sampler({})
        except StageError as error:
            self._lose(error)

    def sample(self) -> Sample | None:
        """One reading, or ``None`` where there is none to be had.

        A vCPU's thread stands in it under the vCPU's name: ``vcpu.N.run_ns`` and ``vcpu.N.wait_ns``.
        """
        if self._sampler is None:
            return None
        try:
            sample = self._sampler.sample()
        except StageError as error:
            self._lose(error)
            return None
        if not self._names:
            return sample
        return replace(sample, values={self._names.get(name, name): value for name, value in sample.values.items()})

    def fingerprint(self) -> tuple[dict[str, str | None], str]:
        """The host's facts; none, and why, where it cannot be logged in to."""
        if self._shell is None:
            return {}, self._why
        try:
            return dict(self._bench.fingerprint(self._shell, "")), ""
        except StageError as error:
            self._lose(error)
            return {}, self._why

    def exchanges(self, count: int) -> list[Exchange]:
        """As many exchanges of timestamps as the host answers, ``count`` at most."""
        done: list[Exchange] = []
        try:
            while self._sampler is not None and len(done) < count:
                done.append(self._sampler.exchange())
        except StageError as error:
            self._lose(error)
        return done

    def close(self) -> None:
        """End the channel; safe to call twice, and never fails."""
        shell, self._shell = self._shell, None
        with suppress(Exception):  # whatever a login may raise as it ends, it must not hide why a run or a guest failed
            self._close_sampler()
        if shell is not None:
            with suppress(Exception):
                shell.close()

    def _log_in(self) -> bool:
        access = self._bench.hypervisor.host_access()
        if access is None:
            self._why = "the lab gives no ssh access to it"
            self._tell_once(f"the host's own counters are not read: {self._why}")
            return False
        self._shell = self._bench.connector.connect(access, machine="host", timeout_s=_LOG_IN_WITHIN_S)
        return True

    def _find_threads(self) -> Mapping[int, str]:
        if self._shell is None:
            return {}
        try:
            return dict(self._bench.hypervisor.vcpu_threads(self._shell))
        except StageError as error:
            self._tell_once(f"there is no second look at the vCPU counters: {error}")
            return {}

    def _open_sampler(self, threads: Mapping[int, str]) -> None:
        self._close_sampler()
        if self._shell is None:
            return
        self._sampler = self._bench.samplers.open(self._shell, machine="host", threads=list(threads.values()))
        self._threads = threads
        self._names = {
            f"thread.{_thread_id(path)}.{what}": f"vcpu.{vcpu}.{what}"
            for vcpu, path in threads.items()
            for what in ("run_ns", "wait_ns")
        }

    def _close_sampler(self) -> None:
        sampler, self._sampler = self._sampler, None
        self._threads, self._names = {}, {}
        try:
            if sampler is not None:
                sampler.close()
        except StageError as error:
            self._tell(f"the host's sampler did not end in order: {error}")

    def _lose(self, error: StageError) -> None:
        self._why = str(error)
        self._tell(f"the host's own counters are unavailable: {error}")
        self.close()

    def _tell_once(self, text: str) -> None:
        if text not in self._told:
            self._told.add(text)
            self._tell(text)

    def _tell(self, text: str) -> None:
        self._bench.reporter.tell(Notice(text))


def _thread_id(path: str) -> str:
    """TID of ``/proc/PID/task/TID/schedstat``."""
    return path.split("/")[-2]
