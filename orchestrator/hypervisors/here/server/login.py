"""Who may log in, and what a login may ask for: commands and SFTP, nothing else."""

from __future__ import annotations

import hmac
import threading
from collections.abc import Callable

import paramiko
from paramiko.common import AUTH_FAILED, AUTH_SUCCESSFUL, OPEN_FAILED_ADMINISTRATIVELY_PROHIBITED, OPEN_SUCCEEDED

from orchestrator.hypervisors.here.server.session import Session

# More than any client here uses; what it would take to exhaust the threads of this process is far above.
MAX_SESSIONS = 32


class Connection(paramiko.Transport):
    """A connection that tells a session when the answer to its request has been sent."""

    def __init__(self, *arguments: object, **options: object) -> None:
        super().__init__(*arguments, **options)  # type: ignore[arg-type]  # handed on as they are
        self.unanswered: list[threading.Event] = []

    def _send_user_message(self, data: paramiko.Message) -> None:
        """Answers to requests are sent this way by the connection's own thread, right after the request was handled."""
        super()._send_user_message(data)  # type: ignore[misc]  # the stubs leave it out
        if threading.current_thread() is self:
            while self.unanswered:
                self.unanswered.pop().set()


class Login(paramiko.ServerInterface):
    """The rules for one connection.

    Args:
        connection: whose rules these are.
        authorized_key: the only key that may log in.
        allowed: whether a user may, now.
        open_session: makes the session of a command: channel, command, user.
    """

    def __init__(
        self,
        connection: Connection,
        authorized_key: paramiko.PKey,
        allowed: Callable[[str], bool],
        open_session: Callable[[paramiko.Channel, bytes, str], Session],
    ) -> None:
        self.threads: list[threading.Thread] = []
        self._connection = connection
        self._authorized = authorized_key.asbytes()
        self._allowed = allowed
        self._open_session = open_session

    @property
    def user(self) -> str:
        """Who has logged in, or is about to; paramiko lets a connection name one user only."""
        return self._connection.get_username() or ""

    def busy(self) -> list[threading.Thread]:
        """The threads that still serve a channel of it."""
        self.threads = [thread for thread in self.threads if thread.is_alive()]
        return self.threads

    def get_allowed_auths(self, username: str) -> str:  # noqa: ARG002 - the same for everybody
        """Public keys only."""
        return "publickey"

    def check_auth_publickey(self, username: str, key: paramiko.PKey) -> int:
        """Compare in constant time; the key's owner proves to hold it afterwards."""
        known = hmac.compare_digest(key.asbytes(), self._authorized)
        return AUTH_SUCCESSFUL if known and self._allowed(username) else AUTH_FAILED

    def check_channel_request(self, kind: str, chanid: int) -> int:  # noqa: ARG002 - channels are all alike
        """Sessions only: no forwarding of any kind."""
        welcome = kind == "session" and self._allowed(self.user) and len(self.busy()) < MAX_SESSIONS
        return OPEN_SUCCEEDED if welcome else OPEN_FAILED_ADMINISTRATIVELY_PROHIBITED

    def check_channel_exec_request(self, channel: paramiko.Channel, command: bytes) -> bool:
        """Start a command."""
        session = self._open_session(channel, command, self.user)
        self._connection.unanswered.append(session.answered)
        self.threads.append(session)
        session.start()
        return True
