"""Which processes belong to the guest: all that descend from commands started by its login, orphans included."""

from __future__ import annotations

import os

from orchestrator.hypervisors.here.tasks import ENDED, Proc

GUEST, HOST = "guest", "host"


class Sessions:
    """Keeps book of the sessions that logins have begun.

    Orphans are adopted by this process and stay in the book. A process that cannot be traced back to the login process
    by its parents is never counted, so that a pid given out again to somebody else is not taken for a guest's.
    """

    def __init__(self, proc: Proc, login: int) -> None:
        """``login`` is the pid of the login process, a child of this one and the parent of every session's leader."""
        self._proc = proc
        self._login = login
        self._user_of_session: dict[int, str] = {}

    def began(self, leader: int, user: str) -> None:
        """A login has started a command as leader of a session of its own."""
        self._user_of_session[leader] = user

    def guest_alive(self) -> list[int]:
        """Processes of the guest that have not ended, parents before children."""
        roots = [pid for pid, user in self._user_of_session.items() if user == GUEST and self._is_led_by_login(pid)]
        roots += [pid for pid in self._adopted() if self._user_of(pid) == GUEST]
        return self._not_ended(self._proc.descendants(roots))

    def all_alive(self) -> list[int]:
        """Every process below this one that has not ended, but for the login process."""
        return [
            pid
            for pid in self._not_ended(self._proc.descendants([*self._adopted(), self._login]))
            if pid != self._login
        ]

    def _not_ended(self, pids: list[int]) -> list[int]:
        return [pid for pid in pids if (stat := self._proc.stat(pid)) is not None and stat.state not in ENDED]

    def _is_led_by_login(self, leader: int) -> bool:
        stat = self._proc.stat(leader)
        return stat is not None and stat.parent == self._login

    def _adopted(self) -> list[int]:
        return [pid for pid in self._proc.children(os.getpid()) if pid != self._login]

    def _user_of(self, orphan: int) -> str:
        """Whose an adopted process is: by its session; the guest's where it has begun one of its own."""
        stat = self._proc.stat(orphan)
        return GUEST if stat is None else self._user_of_session.get(stat.session, GUEST)
