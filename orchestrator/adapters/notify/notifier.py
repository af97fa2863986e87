"""Sends messages beside a run: it never waits for them, and what goes wrong with one is a notice."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from queue import SimpleQueue
from typing import Final

from orchestrator.adapters.notify.addresses import Address
from orchestrator.engine.messages import Message, Messages
from orchestrator.engine.news import News, RunEnded
from orchestrator.limited_call import limited
from orchestrator.units import Seconds, format_duration

#: One message to one address; apprise itself waits 4 s for a connection and as long for an answer.
SEND_WITHIN_S: Final[Seconds] = 20.0
#: After the run's end the last messages are waited for; a service that shuts down gives a program 90 s by default.
END_WITHIN_S: Final[Seconds] = 30.0


class Notifier:
    """A :class:`~orchestrator.engine.ports.Reporter` that writes to people.

    Args:
        addresses: whom.
        messages: what.
        notice: is told, in words, of what could not be sent; by a thread of its own.
        send_within_s, end_within_s: limits for one message to one address, and for all of them after the run's end.
    """

    def __init__(
        self,
        addresses: Sequence[Address],
        messages: Messages,
        notice: Callable[[str], None],
        send_within_s: Seconds = SEND_WITHIN_S,
        end_within_s: Seconds = END_WITHIN_S,
    ) -> None:
        self._addresses, self._messages, self._notice = addresses, messages, notice
        self._send_within_s, self._end_within_s = send_within_s, end_within_s
        self._last: Message | None = None
        self._queue: SimpleQueue[Message | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._send_all, name="messages", daemon=True)
        self._thread.start()

    def tell(self, news: News) -> None:
        """Take the news in; returns at once."""
        message = self._messages.of(news)
        if isinstance(news, RunEnded):
            self._last = message  # how it ended is told once it is known whether everything is back
        elif message is not None:
            self._queue.put(message)

    def close(self, error: BaseException | None = None) -> None:
        """Tell how the run ended, by an error where there was one, and wait a while until that is sent."""
        last = self._last
        if isinstance(error, Exception):
            last = self._messages.of_trouble(error)
        if last is not None:
            self._queue.put(last)
        self._queue.put(None)
        try:
            self._thread.join(self._end_within_s)
        except KeyboardInterrupt:
            self._notice("not waiting any longer until messages are sent")
            return
        if self._thread.is_alive():
            limit = format_duration(self._end_within_s)
            self._notice(f"messages were not sent within {limit}; the run is not affected")

    def _send_all(self) -> None:
        while (message := self._queue.get()) is not None:
            wanted = [address for address in self._addresses if address.occasions & message.occasions]
            if wanted:
                said = self._answered(message)
                for address in wanted:
                    self._send(address, said)

    def _answered(self, message: Message) -> Message:
        try:
            return self._messages.answered(message)
        except Exception:  # noqa: BLE001 - the verdict is shown by other means; that the run ended has to be told
            return message

    def _send(self, address: Address, message: Message) -> None:
        def send() -> bool:
            return bool(address.service.notify(title=message.title, body=message.body))

        try:
            trouble = None if limited(send, self._send_within_s) else "it was refused, or the service did not answer"
        except TimeoutError:
            trouble = f"no answer within {format_duration(self._send_within_s)}"
        except Exception as error:  # noqa: BLE001 - a library's words may hold the address, its type does not
            trouble = type(error).__name__
        if trouble is not None:
            what = f"a message ({message.title}) did not reach {address.name}"
            self._notice(f"{what}: {trouble}; the run is not affected")
