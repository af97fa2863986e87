"""A command of ours in a process that ends at a given write to the disk, as a kill or a power cut ends it.

The process is a fork of this one, so that thousands of them need no imports. Every change of the disk goes through a
few functions of :mod:`os`; they are counted, and at the one asked for the process is gone: no ``finally`` is run, no
buffer flushed. A write is cut in its middle, so each line and file is also seen torn.

After a power cut, what was not synced is gone too: a file goes back to the length it had when it was last synced, and
a name that was made, renamed or removed in a folder that was not synced since is as it was (the worst that fsync(2)
allows). A power cut leaves nothing but the disk, so one command shows all of them: at each change the folder is copied,
and what the cut would take is taken from the copy.
"""

from __future__ import annotations

import importlib
import os
import shutil
import stat
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from orchestrator.cli import invoke

CUT = 199
LOADED = "loaded.txt"
#: The heartbeat writes when it likes; nothing depends on it. Its unfinished file may go while a folder is copied.
_UNCOUNTED_THREADS = ("heartbeat",)
_NOT_COPIED = shutil.ignore_patterns(".partial-alive.json")
_REAL = {
    name: getattr(os, name)
    for name in ("write", "fsync", "rename", "replace", "unlink", "rmdir", "mkdir", "truncate", "ftruncate", "open")
}


#: Where a path of the folder at work lies: there, or in a copy.
Place = Callable[[str], str]


class Disk:
    """Counts changes of the disk, ends the process at one of them, and knows what a power cut would take back.

    Args:
        folder: where the command works; changes below its ``results`` are counted.
        cut_at: the change at which the process ends, from 1; 0 for never.
        copies: where a folder a change is left, named by its number: all as a power cut there leaves it.
    """

    def __init__(self, folder: Path, cut_at: int = 0, copies: Path | None = None) -> None:
        self.changes = 0
        self._folder, self._cut_at, self._copies = os.fspath(folder.resolve()), cut_at, copies
        self._below = f"{self._folder}/results"
        self._lock = threading.RLock()
        self._synced: dict[str, int] = {}
        self._undo: list[tuple[str, Callable[[Place], None]]] = []

    def install(self) -> None:
        """Take the place of the functions of :mod:`os`."""
        for name in _REAL:
            setattr(os, name, getattr(self, f"_{name}"))

    # -------------------------------------------------------------------------------------------- the counted calls

    def _open(self, path: Any, flags: int, *rest: Any, **more: Any) -> int:
        made = bool(flags & os.O_CREAT) and isinstance(path, (str, Path)) and not os.path.lexists(path)
        if made:
            self._point(path)
        descriptor: int = _REAL["open"](path, flags, *rest, **more)
        if made and self._counts(path):
            self._made(path, lambda at: _REAL["unlink"](at(_whole(path))))
        return descriptor

    def _write(self, descriptor: int, content: Any) -> int:
        path = _path(descriptor)
        written = 0
        if self._counts(path):
            self._synced.setdefault(path, os.fstat(descriptor).st_size)
            written = _REAL["write"](descriptor, content[: len(content) // 2])
            self._point(path)
        return written + int(_REAL["write"](descriptor, content[written:]))

    def _fsync(self, descriptor: int) -> None:
        """The disk itself is not waited for: what a power cut would take of it is said here."""
        path = _path(descriptor)
        self._point(path)
        with self._lock:
            if stat.S_ISDIR(os.fstat(descriptor).st_mode):
                self._undo = [(folder, undo) for folder, undo in self._undo if folder != path]
            else:
                self._synced[path] = os.fstat(descriptor).st_size

    def _rename(self, source: Any, target: Any, **more: Any) -> None:
        self._moved("rename", source, target, more)

    def _replace(self, source: Any, target: Any, **more: Any) -> None:
        self._moved("replace", source, target, more)

    def _moved(self, name: str, source: Any, target: Any, more: dict[str, Any]) -> None:
        self._point(target)
        source, target = os.path.abspath(source), os.path.abspath(target)
        before = Path(target).read_bytes() if os.path.isfile(target) else None
        _REAL[name](source, target, **more)
        if not self._counts(target):
            return
        with self._lock:
            for path in [known for known in self._synced if known == source or known.startswith(f"{source}/")]:
                self._synced[target + path[len(source) :]] = self._synced.pop(path)

        def back(at: Place) -> None:
            _REAL["rename"](at(target), at(source))
            if before is not None:
                Path(at(target)).write_bytes(before)

        self._made(target, back)

    def _unlink(self, path: Any, **more: Any) -> None:
        if "dir_fd" in more and more["dir_fd"] is not None:
            _REAL["unlink"](path, **more)
            return
        self._point(path)
        content = Path(path).read_bytes() if os.path.isfile(path) and self._counts(path) else None
        _REAL["unlink"](path, **more)
        if content is not None:
            with self._lock:
                lasting = content[: self._synced.pop(_whole(path), None)]
            self._made(path, lambda at: _put(at(_whole(path)), lasting))

    def _rmdir(self, path: Any, **more: Any) -> None:
        if more.get("dir_fd") is None:
            self._point(path)
        _REAL["rmdir"](path, **more)

    def _mkdir(self, path: Any, *rest: Any, **more: Any) -> None:
        self._point(path)
        _REAL["mkdir"](path, *rest, **more)
        if self._counts(path):
            self._made(path, lambda at: _REAL["rmdir"](at(_whole(path))))

    def _truncate(self, path: Any, length: int) -> None:
        self._point(path)
        _REAL["truncate"](path, length)

    def _ftruncate(self, descriptor: int, length: int) -> None:
        self._point(_path(descriptor))
        _REAL["ftruncate"](descriptor, length)

    # --------------------------------------------------------------------------------------------------- the end

    def _made(self, path: Any, undo: Callable[[Place], None]) -> None:
        with self._lock:
            self._undo.append((os.path.dirname(_whole(path)), undo))

    def _counts(self, path: Any) -> bool:
        text = _whole(path) if isinstance(path, (str, Path)) else ""
        return text.startswith(self._below) and threading.current_thread().name not in _UNCOUNTED_THREADS

    def _point(self, path: Any) -> None:
        """One more change; while one is looked at, or is the last, no other thread makes any."""
        if not self._counts(path):
            return
        with self._lock:
            self.changes += 1
            if self.changes == self._cut_at:
                os._exit(CUT)
            if self._copies is not None:
                copy = shutil.copytree(self._folder, self._copies / str(self.changes), ignore=_NOT_COPIED)
                self._take_back(lambda path: os.fspath(copy) + path.removeprefix(self._folder))

    def _take_back(self, at: Place) -> None:
        for path, length in self._synced.items():
            if os.path.isfile(at(path)) and os.path.getsize(at(path)) > length:
                _REAL["truncate"](at(path), length)
        for _folder, undo in reversed(self._undo):
            with suppress(OSError):  # what it would take back went with something that was taken back before
                undo(at)


def _path(descriptor: int) -> str:
    return os.readlink(f"/proc/self/fd/{descriptor}")


def _whole(path: Any) -> str:
    return os.path.abspath(os.fspath(path))


def _put(path: str, content: bytes) -> None:
    Path(path).write_bytes(content)


def preload(loaded: Path) -> None:
    """Import here what a command imported in its own process, so that those to come find it done."""
    for name in loaded.read_text().splitlines():
        with suppress(ImportError):
            importlib.import_module(name)


def command(
    arguments: Sequence[str], folder: Path, prepare: Callable[[], None], *, cut_at: int = 0, copies: Path | None = None
) -> tuple[int, int, str]:
    """Run a command of ours in a fork of this process.

    Args:
        arguments: as on the command line.
        folder: where it is run; changes of the disk below its ``results`` are counted.
        prepare: called in the process before the command.
        cut_at: the change of the disk at which the process is killed; 0 for never.
        copies: where to leave a copy of the folder for each change, as a power cut there leaves it.

    Returns:
        Its exit status (:data:`CUT` where it was ended), how many changes of the disk it had made, and what it printed.
    """
    said, count = folder / "said.txt", folder / "changes.txt"
    child = os.fork()
    if child == 0:
        status = 70
        try:
            os.chdir(folder)
            output = _REAL["open"](said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
            os.dup2(output, 1)
            os.dup2(output, 2)
            sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115 - ends with the process
            sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
            disk = Disk(folder, cut_at, copies)
            prepare()
            disk.install()
            status = invoke(list(arguments))
            count.write_text(str(disk.changes))
            (folder / LOADED).write_text("\n".join(sorted(sys.modules)))
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)
    _, ended = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(ended), int(count.read_text() if count.is_file() else 0), said.read_text()
