"""A hypervisor that is a file: commands for the driver ``command``, which can be told to misbehave.

    fake_hypervisor.py COMMAND DOMAIN [ARGUMENT...]     in the folder that holds DOMAIN.json

``moods.json`` beside it says which command does what instead of its work: ``{"describe": "rubbish"}``. Each call is
noted in ``calls``. Guests never boot, but their counters move: half the time is run, a quarter is wait.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

command, domain, *arguments = sys.argv[1:]
file, state = Path(f"{domain}.json"), Path(f"{domain}.state")


#: Moods that only print: standard output, standard error, exit status.
PRINTS = {
    "fails": (b"", b"first words\nno such \x1b[31mdatastore\n", 3),
    "is-busy": (b"", b"the store is locked\n", 75),
    "says-no": (b"denied, on standard output\n", b"", 1),
    "says-nothing": (b"", b"", 1),
    "floods": (b"x" * 8_000_000, b"", 0),
    "rubbish": (b"\x00\xff{{{ <no> [\n", b"", 0),
    "binary": (b"\xff\xfe", b"", 0),
    "prints-nothing": (b"", b"", 0),
    "pretends": (b"", b"", 0),
    "is-strange": (b'{"size": {"cpus": 1, "memory": 262144}, "state": "hibernated"}\n', b"", 0),
}


def misbehave(mood: str) -> None:
    if mood in PRINTS:
        output, errors, status = PRINTS[mood]
        sys.stdout.buffer.write(output)
        sys.stderr.buffer.write(errors)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
    if mood == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if mood == "will-not-end":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    if mood in {"hangs", "will-not-end"}:
        child = subprocess.Popen(["sleep", "1000"])
        Path("hanging").write_text(f"{os.getpid()} {child.pid}")
        time.sleep(1000)


def describe() -> None:
    held = Path(f"{domain}.held")
    word = held.read_text() if held.exists() else "on" if state.exists() else "off"
    print(json.dumps({"size": guest()["size"], "state": word, "host": {"cpus": 4}}))


def save() -> None:
    sys.stdout.buffer.write(file.read_bytes())


def restore() -> None:
    file.write_bytes(sys.stdin.buffer.read())


def reshape() -> None:
    vcpus, memory_mib, *more = arguments
    size = {"cpus": int(vcpus), "memory": int(memory_mib) * 1024}
    file.write_text(json.dumps(guest() | {"size": size, "more": more}))


def start() -> None:
    state.write_text(str(time.monotonic_ns()))
    if mood == "leaves-a-daemon":  # as some hypervisors do, with the command's own output still open
        Path("daemon").write_text(str(subprocess.Popen(["sleep", "1000"]).pid))


def stop() -> None:
    state.unlink()


def counters() -> None:
    passed_ns = time.monotonic_ns() - int(state.read_text())
    print(f"at {time.monotonic_ns()}")
    for vcpu in range(guest()["size"]["cpus"]):
        print(f"cpu{vcpu}: ran {passed_ns // 2 / 1e9:.9f} waited {passed_ns // 4 / 1e9:.9f}")


def guest() -> dict:
    return json.loads(file.read_text())


with Path("calls").open("a") as calls:
    calls.write(" ".join((command, *arguments)) + "\n")
mood = json.loads(Path("moods.json").read_text()).get(command) if Path("moods.json").exists() else None
if mood is not None:
    misbehave(mood)
acts = {act.__name__: act for act in (describe, save, restore, reshape, start, stop, counters)} | {"force-off": stop}
acts[command]()
