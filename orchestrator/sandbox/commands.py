"""Programs of this machine that the sandbox runs to their end."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Protocol

from orchestrator.core.design.wording import printable
from orchestrator.errors import SandboxError

_LIMIT_S = 600.0
_SHOWN = 400


class Runner(Protocol):
    """Runs a program to its end."""

    def __call__(self, argv: Sequence[str], *, folder: Path | None = None) -> bytes:
        """Run a program.

        Args:
            argv: program and arguments.
            folder: where it runs; here by default.

        Returns:
            Its standard output.

        Raises:
            SandboxError: it is not there, failed or did not end; with its own last words.
        """


def run(argv: Sequence[str], *, folder: Path | None = None) -> bytes:
    """The :class:`Runner` of this machine; programs speak English and get no input."""
    environment: Mapping[str, str] = {**os.environ, "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive"}
    try:
        done = subprocess.run(  # noqa: S603 - programs of the sandbox, arguments as a list
            list(argv),
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            timeout=_LIMIT_S,
        )
    except FileNotFoundError as error:
        raise SandboxError(f"the program {argv[0]} is not there ({error.filename})") from error
    except OSError as error:
        raise SandboxError(f"{argv[0]} cannot be run: {error.strerror or error}") from error
    except subprocess.TimeoutExpired as error:
        raise SandboxError(f"{' '.join(argv)[:_SHOWN]!r} did not end within {_LIMIT_S / 60:.0f} min") from error
    if done.returncode != 0:
        text = (done.stderr or done.stdout).decode("utf-8", "replace").strip()[-_SHOWN:]
        said = "\n".join(map(printable, text.splitlines())) or "it said nothing"  # a guest's banner may be in it
        raise SandboxError(f"{' '.join(argv)[:_SHOWN]!r} ended with exit status {done.returncode}: {said}")
    return done.stdout
