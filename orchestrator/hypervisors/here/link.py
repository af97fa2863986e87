"""The tool's end of the guest: starts its process, asks it, and ends it."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import IO, Any

import orchestrator
from orchestrator.errors import HostFault
from orchestrator.hypervisors.here.lines import Lines, Message, send
from orchestrator.units import Seconds

#: Starting two Python processes and making two keys takes a third of a second; a machine under full load may need much
#: longer.
_START_S = 30.0
#: The guest's process may have to kill what is left (see ``machine.py``).
_END_S = 15.0


class Link:
    """A running guest process.

    Attributes:
        folder: private to this user; holds the guest's home, its root files and the login key, and goes with the guest.
        hello: what the guest said first: ``port``, ``host_key``, ``hold``, ``wait``.
    """

    def __init__(self) -> None:
        """Start the process. Raises HostFault when it does not come up."""
        try:
            self.folder = Path(tempfile.mkdtemp(prefix="trialbed-here-"))
        except OSError as error:
            raise HostFault(f"no folder can be made for the guest ({error}); free some space, or set TMPDIR") from error
        self._errors: IO[bytes] = (self.folder / "errors").open("w+b")
        try:
            self._process = subprocess.Popen(  # noqa: S603 - this package's own module
                [sys.executable, "-m", "orchestrator.hypervisors.here.guest", str(self.folder)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                start_new_session=True,
                env={**os.environ, "PYTHONPATH": _python_path()},
            )
        except OSError as error:
            self._errors.close()
            shutil.rmtree(self.folder, ignore_errors=True)
            raise HostFault(f"the guest's process cannot be started ({error}); see this machine's limits") from error
        if self._process.stdin is None or self._process.stdout is None:
            raise RuntimeError("a process started with pipes has none")
        self._to = self._process.stdin.fileno()
        self._from = Lines(self._process.stdout.fileno())
        self._poll = select.poll()  # unlike select(), without a limit on the number of a file
        self._poll.register(self._from.descriptor, select.POLLIN)
        self._ready: list[Message] = []
        self._asked = 0
        try:
            self.hello = self._receive("come up", _START_S)
        except BaseException:
            self.close()
            raise

    @property
    def ended(self) -> bool:
        """Whether the process is gone, by whatever end."""
        return self._process.poll() is not None

    def ask(self, op: str, timeout_s: Seconds, **facts: Any) -> Message:
        """One request and its answer.

        Raises:
            HostFault: when it is refused, or there is no answer within ``timeout_s``.
        """
        self._asked += 1
        try:
            send(self._to, {"op": op, "number": self._asked, **facts})
        except (OSError, ValueError) as error:
            raise HostFault(f"the guest's process has ended before {op!r}: {self._last_words()}") from error
        answer = self._receive(f"answer {op!r}", timeout_s)
        while answer["number"] < self._asked:  # it belongs to a request that was given up
            answer = self._receive(f"answer {op!r}", timeout_s)
        if "error" in answer:
            raise HostFault(f"the guest's process refused {op!r}: {answer['error']}")
        return answer

    def _receive(self, what: str, timeout_s: Seconds) -> Message:
        while not self._ready:
            if not self._poll.poll(timeout_s * 1000):
                raise HostFault(f"the guest's process did not {what} within {timeout_s:g} s; it is ended with the run")
            self._ready += self._from.read()
            if self._from.ended:
                raise HostFault(f"the guest's process ended and did not {what}: {self._last_words()}")
        return self._ready.pop(0)

    def _last_words(self) -> str:
        """The end of what the process printed on standard error."""
        if self._errors.closed:
            return "it has been closed"
        self._errors.seek(0)
        text = self._errors.read().decode("utf-8", "replace").strip()
        return text.splitlines()[-1][:300] if text else "it said nothing"

    def close(self) -> None:
        """End the process and all that belongs to it; safe to call twice."""
        if self._process.stdin is None or self._process.stdin.closed:
            return
        with contextlib.suppress(OSError):
            self._process.stdin.close()  # the end of its input is the guest's order to end
        try:
            self._process.wait(_END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._errors.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def _python_path() -> str:
    """This package first, then whatever path the tool itself was given for its libraries."""
    given = os.environ.get("PYTHONPATH")
    own = str(Path(orchestrator.__file__).parent.parent)
    return own if not given else os.pathsep.join([own, given])
