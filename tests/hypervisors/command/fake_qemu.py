#!/usr/bin/env python3
"""Stands in for QEMU: runs in the background, answers on its monitor (QMP of QEMU's manual), ends at the power button.

What it is not: a machine. It has a thread for its vCPU, and an ear for ``system_powerdown`` unless told to be deaf.
"""

from __future__ import annotations

import json
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path


def answer(command: str) -> object:
    match command:
        case "query-status":
            return {"status": "running", "running": True}
        case "query-cpus-fast":
            return [{"cpu-index": 0, "thread-id": os.getpid()}]
        case _:
            return {}


def commands(line: socket.socket) -> Iterator[str]:
    """Values of JSON one behind another, with or without line ends between them, as QEMU takes them."""
    text = ""
    while more := line.recv(4096):
        text += more.decode()
        while text := text.strip():
            try:
                value, end = json.JSONDecoder().raw_decode(text)
            except ValueError:
                break  # the rest of it is still to come
            text = text[end:]
            yield value["execute"]


def serve(listener: socket.socket) -> None:
    while True:
        line, _ = listener.accept()
        with line:
            line.sendall(b'{"QMP": {}}\r\n')
            for command in commands(line):
                line.sendall(json.dumps({"return": answer(command)}).encode() + b"\r\n")
                if command == "system_powerdown" and not Path("deaf").exists():
                    os._exit(0)  # leaves its files where they are, as one that is killed does


def main() -> None:
    options = dict(zip(sys.argv[1:], sys.argv[2:], strict=False))
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(options["-qmp"].removeprefix("unix:").partition(",")[0])
    listener.listen()
    if os.fork():
        os._exit(0)  # nobody waits for the other: it belongs to the system then, as QEMU with -daemonize
    os.setsid()
    Path(options["-pidfile"]).write_text(f"{os.getpid()}\n")
    Path("ready").touch()
    for stream in (0, 1, 2):
        os.dup2(os.open(os.devnull, os.O_RDWR), stream)
    serve(listener)


main()
