"""A run's own leases: taken together or not at all, kept alive by a thread, given back at the end."""

from __future__ import annotations

import json
import random
import secrets
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

from orchestrator.adapters.leases import words
from orchestrator.adapters.leases.keeper import Keeper
from orchestrator.adapters.leases.place import Place, Wanted
from orchestrator.adapters.leases.standing import STALE_S, Standing, has_ended, own_process, read
from orchestrator.engine.ports import SHARED, Clock, Lease
from orchestrator.errors import HostFault, StageError, UnreachableError
from orchestrator.units import Seconds, utc_text

_HOST = "host"
#: Sharers and those who want a host alone announce themselves, then look for each other. Who only announced gives way
#: within these pauses; who stays holds it.
_LOOKS_ALONE, _LOOKS_SHARING = 4, 12
_TRIES = 6


@dataclass(frozen=True)
class Timing:
    """How often a holder gives a sign of life, and after how long without one it counts as dead."""

    beat_s: Seconds = 10.0
    stale_s: Seconds = STALE_S
    pause_s: Seconds = 0.2
    """Between looks for others who announced themselves; half of it or half more, by chance."""


class HostLeases:
    """:class:`~orchestrator.engine.ports.Leases` on the host of one run.

    Args:
        place: where the host's leases are.
        wanted: the guests that the run needs.
        clock: the controller's, real.
        timing: other than the usual in tests.
    """

    def __init__(self, place: Place, wanted: Wanted, clock: Clock, timing: Timing | None = None) -> None:
        self._place, self._wanted, self._clock = place, wanted, clock
        self._timing = timing or Timing()
        self._token, self._channels = secrets.token_hex(8), 0
        self._keeper: Keeper | None = None
        self._names: tuple[str, ...] = ()
        self._lost: str | None = None
        self._over = threading.Event()
        self._lock = threading.RLock()

    @property
    def where(self) -> str:
        """Where they are kept."""
        return self._place.remark or f"leases on host {self._place.host}"

    @property
    def held(self) -> Sequence[str]:
        """The leases that are held."""
        return tuple(f"{self._place.host}: {name}" for name in self._names)

    @property
    def lost(self) -> str | None:
        """Why one is no longer ours."""
        return self._lost

    def look(self) -> list[Lease]:
        """The leases on the host and on the guests that are wanted."""
        with self._lock:
            had = self._keeper is not None
            try:
                return [standing.lease for standing in self._standing() if self._concerns(standing.lease.name)]
            finally:
                if not had:
                    self._close()

    # ------------------------------------------------------------------------------------------------------- taking

    def take(self, run: str, title: str, *, share_host: bool) -> list[str]:
        """Take them all, or none; see :class:`orchestrator.engine.ports.Leases`."""
        notices, self._lost = [self._place.remark] if self._place.remark else [], None
        with self._lock:
            try:
                self._ours(run, title)
                self._take_host(run, notices, share_host=share_host)
                for name in self._wanted.names:
                    self._claim(name, run, notices, sharing=share_host)
            except StageError as error:
                self._give_back()
                raise UnreachableError(
                    f"whether host {self._place.host} is free could not be told, so nothing was changed: {error}"
                ) from error
            except BaseException:
                self._give_back()
                raise
        self._over.clear()
        threading.Thread(target=self._keep_alive, name="leases", daemon=True).start()
        return notices

    def _ours(self, run: str, title: str) -> None:
        """What the leases will say."""
        owner, pid = own_process()
        told = {"format": 1, "token": self._token, "owner": owner, "pid": pid, "run": run, "title": title}
        told |= {"guest": self._wanted.guest, "since": utc_text(self._clock.now())}
        self._text = json.dumps(told, ensure_ascii=True)

    def _take_host(self, run: str, notices: list[str], *, share_host: bool) -> None:
        mine = f"{SHARED}{self._token}" if share_host else _HOST
        self._claim(mine, run, notices, sharing=share_host)
        others: list[Standing] = []
        for _ in range(_LOOKS_SHARING if share_host else _LOOKS_ALONE):
            others = self._others_on_host(run, notices, share_host=share_host)
            if not others:
                return
            if share_host:
                self._drop(mine)  # who wants it alone goes first, if only sharers that gave way were in its way
            first = others[0].lease
            if first.state != "held" or first.silent_s > self._timing.beat_s:
                break
            self._clock.sleep(self._timing.pause_s * random.uniform(0.5, 1.5))  # noqa: S311 - no secret
            if share_host:
                self._claim(mine, run, notices, sharing=True)
        raise self._refusal(others[0], run, sharing=share_host)

    def _others_on_host(self, run: str, notices: list[str], *, share_host: bool) -> list[Standing]:
        """Leases on the host that exclude this run's; those of the run itself whose holder has died are broken."""
        found = []
        for standing in self._standing():
            lease = standing.lease
            if lease.name in self._names or not (lease.name == _HOST or lease.shared):
                continue
            if lease.run == run and has_ended(lease):
                self._take_over(standing, notices)
            elif lease.shared != share_host:
                found.append(standing)
        return found

    def _claim(self, name: str, run: str, notices: list[str], *, sharing: bool) -> None:
        for _ in range(_TRIES):  # what was there may be gone before it was looked at
            self._open()
            self._names += (name,)  # before it is taken: an interrupt in between must not leave it
            answer, _, why = self._ask("take", name, self._token, self._text)[0].partition(" ")
            if answer == "taken":
                return
            self._names = self._names[:-1]
            if answer != "there":
                raise HostFault(f"no lease could be made in {self._place.folder}: {why}")
            there = [standing for standing in self._standing() if standing.lease.name == name]
            for standing in there:
                if standing.lease.run != run or not has_ended(standing.lease):
                    raise self._refusal(standing, run, sharing=sharing)
                self._take_over(standing, notices)
        raise HostFault(f"{self._place.folder}/{name} is there and is no lease; move it away")

    def _refusal(self, standing: Standing, run: str, *, sharing: bool) -> UnreachableError:
        beside = [other.lease.name for other in self._standing() if other.token == standing.token]
        own = standing.lease.run == run
        return UnreachableError(words.refusal(standing.lease, beside, self._place.host, own=own, sharing=sharing))

    def _take_over(self, standing: Standing, notices: list[str]) -> None:
        answer = self._ask("break", standing.lease.name, standing.token)[0]
        if answer == "broken":
            notices.append(words.taken_over(standing.lease, self._place.host))
        elif answer != "changed":
            raise HostFault(f"a lease of this run's own could not be taken over: {words.kept_from(answer)}")

    # -------------------------------------------------------------------------------------------------- staying alive

    def _keep_alive(self) -> None:
        while not self._over.wait(self._timing.beat_s):
            with self._lock, suppress(Exception):  # whatever it was: the next beat tries again, on a new channel
                if not self._over.is_set():
                    self._beat()

    def _beat(self) -> None:
        gone = [line.partition(" ")[2] for line in self._ask("beat") if not line.startswith("held ")]
        for name in gone:
            self._note_lost(name)

    def _note_lost(self, name: str) -> None:
        if self._lost is None:
            now = [standing.lease for standing in self._standing() if standing.lease.name == name]
            self._lost = words.lost(name, self._place.host, now[0] if now else None)

    # -------------------------------------------------------------------------------------------------- giving back

    def release(self) -> str | None:
        """Give back what is held."""
        self._over.set()
        with self._lock:
            return self._give_back()

    def leave(self) -> None:
        """End without giving back."""
        self._over.set()
        with self._lock:
            self._names = ()
            self._close()

    def _give_back(self) -> str | None:
        reason = ""
        for _ in range(2):  # the channel may have broken since the last beat: once more on a new one
            try:
                for name in self._names:
                    self._drop(name)
            except (StageError, OSError) as error:
                reason = str(error)
            else:
                break
        trouble = words.not_given_back(list(self._names), self._place.host, reason) if self._names else None
        self._names = ()
        self._close()
        return trouble

    def _drop(self, name: str) -> None:
        if self._ask("drop", name)[0] == "left":
            raise HostFault(f"{self._place.folder}/{name} cannot be removed")
        self._names = tuple(kept for kept in self._names if kept != name)

    # ------------------------------------------------------------------------------------------------------ speaking

    def _standing(self) -> list[Standing]:
        return read(self._ask("look"), self._timing.stale_s)

    def _ask(self, *line: str) -> list[str]:
        try:
            return self._open().ask(*line)
        except BaseException:  # an answer may be half read, and belongs to no later question
            self._close()
            raise

    def _open(self) -> Keeper:
        """The keeper; a new one, where the channel broke, goes on with what is held."""
        if self._keeper is None:
            self._keeper = Keeper.begin(self._place.log_in, self._place.folder, self._clock)
            self._channels += 1
            for name in self._names:
                if self._ask("again", name, self._token, str(self._channels))[0] != "held":
                    self._note_lost(name)
        return self._keeper

    def _close(self) -> None:
        if self._keeper is not None:
            keeper, self._keeper = self._keeper, None
            keeper.close()

    def _concerns(self, name: str) -> bool:
        return name == _HOST or name.startswith(SHARED) or name in self._wanted.names
