"""The people of one lab: told of a run by a notifier of its own, or that it could not begin."""

from __future__ import annotations

import shlex
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from orchestrator.adapters.notify.addresses import Address
from orchestrator.adapters.notify.notifier import Notifier
from orchestrator.engine.messages import Messages
from orchestrator.errors import TrialbedError


@dataclass
class People:
    """Whoever is told.

    Attributes:
        addresses: whom; nobody where it is empty.
        title: of the plan that is run.
        guest: by its name in the lab.
        begun: whether a run has begun, which tells for itself from then on.
    """

    addresses: tuple[Address, ...]
    title: str
    guest: str
    begun: bool = False

    def notifier(self, run: str, location: str, answer: Callable[[], str], notice: Callable[[str], None]) -> Notifier:
        """Begin to write about a run.

        Args:
            run: its id.
            location: its folder.
            answer: the verdict's answer in a sentence; called once the run has ended, in a thread of its own.
            notice: is told of what could not be sent.
        """
        self.begun = True
        store = shlex.quote(str(Path(location).absolute().parent))
        messages = Messages(
            run=run,
            title=self.title,
            guest=self.guest,
            look=f"trialbed show {run} --store {store} (on {socket.gethostname()})",
            resume=f"trialbed resume {run} --store {store}",
            answer=answer,
        )
        return Notifier(self.addresses, messages, notice)

    @contextmanager
    def told_of_refusals(
        self, notice: Callable[[str], None], run: str = "(not begun)", look: str = "trialbed check PLAN --probe"
    ) -> Iterator[None]:
        """Tell of an error that keeps a run from beginning: at that hour nobody may be there to read it.

        Args:
            notice: is told of what could not be sent.
            run: its id, where it is to go on.
            look: how to look at what is the matter, as a command.
        """
        try:
            yield
        except TrialbedError as error:
            if self.addresses and not self.begun:
                messages = Messages(
                    run=run,
                    title=self.title,
                    guest=self.guest,
                    look=f"{look} (on {socket.gethostname()})",
                    resume="",
                    answer=str,
                )
                Notifier(self.addresses, messages, notice).close(error)
            raise
