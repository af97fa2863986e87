"""JSON lines over a pipe: how tool, guest and login talk."""

from __future__ import annotations

import json
import os
from typing import Any

Message = dict[str, Any]


def send(descriptor: int, message: Message) -> None:
    """Write one message whole. Raises OSError when the other side is gone."""
    content = json.dumps(message).encode() + b"\n"
    while content:
        content = content[os.write(descriptor, content) :]


class Lines:
    """Reads messages as they come in."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor
        self.ended = False
        self._rest = b""

    def read(self) -> list[Message]:
        """What has arrived; blocks until something has. Sets ``ended`` at the end of the other side."""
        try:
            content = os.read(self.descriptor, 1 << 16)
        except OSError:
            content = b""
        if not content:
            self.ended = True
            return []
        *lines, self._rest = (self._rest + content).split(b"\n")
        return [json.loads(line) for line in lines]
