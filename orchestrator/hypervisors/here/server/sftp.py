"""Files over SFTP: relative paths begin at the home, and a guest's login cannot leave it, by ``..`` or by a link."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

from paramiko import Channel, ServerInterface, SFTPAttributes, SFTPHandle, SFTPServer, SFTPServerInterface
from paramiko.sftp import SFTP_OK

from orchestrator.hypervisors.here.server.login import Login

P = ParamSpec("P")
T = TypeVar("T")


def _answered(
    method: Callable[Concatenate[RootedFiles, P], T],
) -> Callable[Concatenate[RootedFiles, P], T | int]:
    """Answer an operating system's error with the protocol's code for it."""

    @wraps(method)
    def answer(self: RootedFiles, /, *arguments: P.args, **options: P.kwargs) -> T | int:
        try:
            return method(self, *arguments, **options)
        except OSError as error:
            return SFTPServer.convert_errno(error.errno or errno.EIO)
        except ValueError:  # a NUL in a path
            return SFTPServer.convert_errno(errno.ENOENT)

    return answer


class SftpSession(SFTPServer):
    """One SFTP channel, served by a thread of its own (this object), which the login keeps account of."""

    def __init__(self, channel: Channel, name: str, server: ServerInterface, *largs: Any, **kwargs: Any) -> None:
        super().__init__(channel, name, server, RootedFiles, *largs, **kwargs)
        if isinstance(server, Login):
            server.threads.append(self)


class RootedFiles(SFTPServerInterface):
    """The operations; each takes a path as the client wrote it. Links are followed but cannot be made or read.

    Args:
        server: the login's rules.
        home: where relative paths begin.
        free: the users that may leave it.
    """

    def __init__(self, server: ServerInterface, *, home: Path, free: frozenset[str] = frozenset()) -> None:
        super().__init__(server)
        self._home = home.resolve()
        self._confined = not (isinstance(server, Login) and server.user in free)

    def canonicalize(self, path: str) -> str:
        """The absolute path, as the client will be shown it."""
        return os.path.normpath(self._home / path)

    @_answered
    def list_folder(self, path: str) -> list[SFTPAttributes]:
        """Entries of a folder."""
        return [SFTPAttributes.from_stat(entry.lstat(), entry.name) for entry in self._inside(path).iterdir()]

    @_answered
    def stat(self, path: str) -> SFTPAttributes:
        """Attributes of what a path leads to."""
        return SFTPAttributes.from_stat(self._inside(path).stat())

    @_answered
    def lstat(self, path: str) -> SFTPAttributes:
        """Attributes of the entry itself."""
        return SFTPAttributes.from_stat(self._entry(path).lstat())

    @_answered
    def open(self, path: str, flags: int, attr: SFTPAttributes) -> SFTPHandle:
        """Open or create a regular file."""
        mode = 0o666 if attr.st_mode is None else stat.S_IMODE(attr.st_mode)
        # Without NONBLOCK a named pipe would hold up this thread until somebody opens its other end.
        descriptor = os.open(self._inside(path), flags | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK, mode)
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            os.close(descriptor)
            raise PermissionError(errno.EACCES, "not a regular file", path)
        return _OpenFile(descriptor, flags)

    @_answered
    def remove(self, path: str) -> int:
        """Remove a file, or a link itself."""
        self._entry(path).unlink()
        return SFTP_OK

    @_answered
    def rename(self, oldpath: str, newpath: str) -> int:
        """Rename; as the protocol wants, an existing file is not replaced."""
        if self._entry(newpath).exists():
            raise FileExistsError(errno.EEXIST, "exists", newpath)
        self._entry(oldpath).rename(self._entry(newpath))
        return SFTP_OK

    @_answered
    def posix_rename(self, oldpath: str, newpath: str) -> int:
        """Rename, replacing an existing file in one step."""
        self._entry(oldpath).replace(self._entry(newpath))
        return SFTP_OK

    @_answered
    def mkdir(self, path: str, attr: SFTPAttributes) -> int:
        """Make a folder."""
        self._entry(path).mkdir(0o777 if attr.st_mode is None else stat.S_IMODE(attr.st_mode))
        return SFTP_OK

    @_answered
    def rmdir(self, path: str) -> int:
        """Remove an empty folder."""
        self._entry(path).rmdir()
        return SFTP_OK

    @_answered
    def chattr(self, path: str, attr: SFTPAttributes) -> int:
        """Set a file's mode; other attributes are left alone."""
        if attr.st_mode is not None:
            self._inside(path).chmod(stat.S_IMODE(attr.st_mode))
        return SFTP_OK

    def _inside(self, path: str) -> Path:
        """Where a path leads, links followed to their end."""
        return self._checked(Path(os.path.realpath(self._home / path)))

    def _entry(self, path: str) -> Path:
        """The entry that a path names: links are followed up to it, but not itself."""
        given = self._home / path
        if given.name in {"", ".."}:
            return self._inside(path)
        return self._checked(Path(os.path.realpath(given.parent)) / given.name)

    def _checked(self, path: Path) -> Path:
        if self._confined and not path.is_relative_to(self._home):
            raise PermissionError(errno.EACCES, "outside the home", str(path))
        return path


class _OpenFile(SFTPHandle):
    """An open file; paramiko reads and writes through ``readfile`` and ``writefile``."""

    def __init__(self, descriptor: int, flags: int) -> None:
        super().__init__(flags)
        access = flags & os.O_ACCMODE
        mode = {os.O_RDONLY: "rb", os.O_WRONLY: "ab" if flags & os.O_APPEND else "wb"}.get(access, "r+b")
        self._file = os.fdopen(descriptor, mode, buffering=0)
        if access != os.O_WRONLY:
            self.readfile = self._file
        if access != os.O_RDONLY:
            self.writefile = self._file

    def stat(self) -> SFTPAttributes:
        """Attributes of the open file."""
        return SFTPAttributes.from_stat(os.fstat(self._file.fileno()))

    def chattr(self, attr: SFTPAttributes) -> int:
        """Set the open file's mode; other attributes are left alone."""
        if attr.st_mode is not None:
            os.fchmod(self._file.fileno(), stat.S_IMODE(attr.st_mode))
        return SFTP_OK
