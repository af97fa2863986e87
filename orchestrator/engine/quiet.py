"""Waiting for a quiet host before a trial, while the guest is off; what came of it becomes a check of the trial."""

from __future__ import annotations

from collections.abc import Callable

from orchestrator.core.design.quiet import QuietHost
from orchestrator.core.measure.quietness import Quietness, disturbances, figures, quietness, untold
from orchestrator.core.measure.results import Check
from orchestrator.core.measure.samples import Sample
from orchestrator.engine.bench import Bench
from orchestrator.engine.host_watch import HostWatch
from orchestrator.engine.keeping import Note
from orchestrator.engine.news import Notice, WaitingForQuiet
from orchestrator.errors import HostFault
from orchestrator.units import Seconds, format_duration

CHECK = "quiet host"
#: One look at the host: long enough for its ticks of 10 ms, short enough to be lost in a trial's time.
_READINGS = 4
_BETWEEN_READINGS_S: Seconds = 1.0
#: From one look that found it busy to the next.
_PAUSE_S: Seconds = 10.0
#: In so small steps it is seen that somebody asks the run to stop.
_STEP_S: Seconds = 1.0


class Quiet:
    """Waits for the host of one run.

    Args:
        rule: the plan's ``quiet``.
        bench: the world.
        host: its counters; where they cannot be read the trial goes on, and its check says so.
        note: the run's journal.
        at_each_step: looks at what may end the waiting from outside, by an error of its own.
    """

    def __init__(
        self,
        rule: QuietHost,
        bench: Bench,
        host: HostWatch,
        note: Note,
        at_each_step: Callable[[], None] = lambda: None,
    ) -> None:
        self._at_each_step = at_each_step
        self._rule, self._bench, self._host, self._note = rule, bench, host, note
        self._told = False

    def wait(self, trial: str) -> Check:
        """Wait until the host is quiet, for as long as the plan says.

        Args:
            trial: that is to be measured.

        Raises:
            HostFault: the host was not quiet in time, and the plan says to skip the trial then.
            KeyboardInterrupt: somebody asked the run to stop. Nothing of the trial is worth waiting on for.
        """
        clock, rule = self._bench.clock, self._rule
        began_s, looks = clock.monotonic(), 1
        seen = self._look()
        until_s = began_s + rule.wait - (_READINGS - 1) * _BETWEEN_READINGS_S  # the last look is a part of the wait
        while (why := "; ".join(disturbances(seen, rule))) and (left_s := until_s - clock.monotonic()) > 0:
            self._bench.reporter.tell(WaitingForQuiet(why, left_s, looks))
            self._pause(min(_PAUSE_S, left_s))
            seen, looks = self._look(), looks + 1
        waited_s = clock.monotonic() - began_s if looks > 1 else 0.0
        if looks > 1 or why:
            self._note("waited-for-quiet", trial, _detail(seen, waited_s, why))
        if why and rule.then == "skip":
            raise HostFault(f"the host was not quiet{_after(waited_s)}, and the plan skips the trial then: {why}")
        return self._check(seen, waited_s, why)

    def _look(self) -> Quietness:
        self._host.ready_without_guest()
        samples: list[Sample] = []
        for reading in range(_READINGS):
            if reading:
                self._bench.clock.sleep(_BETWEEN_READINGS_S)
            if (sample := self._host.sample()) is None:
                return quietness(())
            samples.append(sample)
        return quietness(samples)

    def _pause(self, pause_s: Seconds) -> None:
        clock = self._bench.clock
        until_s = clock.monotonic() + pause_s
        while (left_s := until_s - clock.monotonic()) > 0:
            if self._bench.stop.requested:
                raise KeyboardInterrupt
            self._at_each_step()
            clock.sleep(min(_STEP_S, left_s))

    def _check(self, seen: Quietness, waited_s: Seconds, why: str) -> Check:
        if why:
            return Check(name=CHECK, state="flag", detail=f"not quiet{_after(waited_s)}: {why}")
        known, missing = figures(seen), untold(seen, self._rule)
        if missing:
            told = f"the host does not tell {' nor '.join(missing)}"
            if not self._told:
                self._told = True
                self._bench.reporter.tell(Notice(f"whether the host is quiet is not known: {told}; trials go on"))
            return Check(name=CHECK, state="unavailable", detail=told + (f"; else {known}" if known else ""))
        return Check(name=CHECK, state="ok", detail=f"quiet{_after(waited_s) or ' at once'}: {known}")


def _after(waited_s: Seconds) -> str:
    return f" after {format_duration(waited_s)} of waiting" if waited_s else ""


def _detail(seen: Quietness, waited_s: Seconds, why: str) -> dict[str, object]:
    return {
        "waited_s": round(waited_s, 3),
        "quiet": not why,
        "reason": why,
        "busy": seen.busy,
        "pressure": seen.pressure,
        "warmest_c": seen.warmest_c,
        "throttled": seen.throttled,
    }
