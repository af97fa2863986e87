"""Says every two seconds that a run's process lives and what it is at: ``alive.json`` in the run's folder."""

from __future__ import annotations

import os
import socket
import threading
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from orchestrator.adapters.store.atomic import PARTIAL
from orchestrator.adapters.store.layout import RunFolder
from orchestrator.adapters.store.living import boot_id
from orchestrator.core.record.alive import RECENT, Alive
from orchestrator.engine.news import Measured, News, RunEnded, StageBegan, TrialBegan, TrialEnded, WaitingForQuiet
from orchestrator.engine.ports import Clock
from orchestrator.units import Seconds, utc_text

EVERY_S: Final[Seconds] = 2.0


@dataclass(frozen=True)
class _Now:
    """What the run is at: one value, replaced as a whole, so that a signal may be told of in the middle of another."""

    trial: str | None = None
    stage: str | None = None
    since_s: Seconds | None = None
    rate_per_s: float | None = None
    recent: tuple[tuple[float, bool], ...] = ()
    said: str = ""


class Heartbeat:
    """A :class:`~orchestrator.engine.ports.Reporter` that keeps ``alive.json`` fresh from a thread of its own.

    Nothing depends on it: what cannot be written is not, and the run goes on. It is replaced as a whole and not synced;
    after a power cut the journal tells what the last sign of life was.

    Args:
        folder: the run's.
        clock: the wall clock of this machine.
        every_s: how often.
    """

    def __init__(self, folder: Path, clock: Clock, every_s: Seconds = EVERY_S) -> None:
        self._path, self._clock, self._every_s = RunFolder(folder).alive, clock, every_s
        # The store reads nothing that is named so, and seals nothing.
        self._partial = self._path.with_name(f"{PARTIAL}{self._path.name}")
        self._machine, self._pid, self._boot_id = socket.gethostname(), os.getpid(), boot_id()
        self._now = _Now()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._beat, name="heartbeat", daemon=True)
        self._thread.start()

    def tell(self, news: News) -> None:
        """Take in what the run is at."""
        match news:
            case TrialBegan(trial=trial):
                self._now = _Now(trial.id, since_s=self._clock.now())
            case StageBegan(stage=stage, attempt=1):
                self._now = _Now(self._now.trial, stage, self._clock.now(), recent=self._now.recent)
            case StageBegan(stage=stage, attempt=attempt, why=why):
                self._now = replace(self._now, stage=stage, said=f"try {attempt}, since {why}"[:400])
            case WaitingForQuiet(why=why):
                self._now = replace(self._now, said=f"waiting for a quiet host: {why}"[:400])
            case Measured(rate=rate, interval=interval, state=state):
                recent = (*self._now.recent, (rate, interval is not None))[-RECENT:]
                self._now = replace(self._now, rate_per_s=rate, recent=recent, said=state[:400])
            case TrialEnded():
                self._now = _Now(since_s=self._clock.now())
            case RunEnded():
                self.close()
            case _:
                pass

    def close(self, error: BaseException | None = None) -> None:  # noqa: ARG002 - it is no matter how the run ended
        """Take the sign of life away: nobody is at work on the run any more. Safe to call twice."""
        self._over.set()
        self._thread.join(self._every_s)
        for path in (self._path, self._partial):
            with suppress(OSError):
                path.unlink(missing_ok=True)

    def _beat(self) -> None:
        while True:
            with suppress(OSError, ValueError):
                self._write()
            if self._over.wait(self._every_s):
                return

    def _write(self) -> None:
        now = self._now
        said = Alive(
            time_utc=utc_text(self._clock.now()),
            pid=self._pid,
            machine=self._machine,
            boot_id=self._boot_id,
            trial=now.trial,
            stage=now.stage,
            stage_since_utc=None if now.since_s is None else utc_text(now.since_s),
            rate_per_s=now.rate_per_s,
            recent=now.recent,
            said=now.said,
        )
        self._partial.write_bytes(said.model_dump_json(indent=2).encode() + b"\n")
        if not self._over.is_set():  # a folder on a server may answer late, when the file is gone for good
            self._partial.replace(self._path)
