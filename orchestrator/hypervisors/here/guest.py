"""The process guest itself: ``python -m orchestrator.hypervisors.here.guest FOLDER``, started by the driver.

Standard input and output are JSON lines: requests of the tool and answers to them. Whatever ends the tool ends the
guest: its standard input ends, or the kernel tells (a copy of the pipe may live on in some other child of the tool).
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
from pathlib import Path

from orchestrator.hypervisors.here.holds import adopt_orphans, best_holder, signal_when_parent_ends
from orchestrator.hypervisors.here.machine import Machine


def main(folder: Path) -> None:
    """Run the guest until the tool ends; then nothing of it is left, ``folder`` included."""
    tool = os.getppid()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the tool, which then puts the guest away
    try:
        (folder / "home").mkdir()
        holder = best_holder()
        adopt_orphans()
        machine = Machine(folder, holder)
        _raise_open_files()  # after the login process was started, which passes its limits on to the guest's programs
        signal.signal(signal.SIGTERM, lambda *_: machine.end())
        signal.signal(signal.SIGUSR1, lambda *_: machine.end() if os.getppid() != tool else None)
        signal_when_parent_ends(signal.SIGUSR1)  # the "parent" is a thread and may end before the tool: hence the check
        machine.serve()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _raise_open_files() -> None:
    """Two files are kept open for each thread of the guest."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
