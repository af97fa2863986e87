"""Files to another machine: whole and verified or not at all, over SFTP or, where there is none, through ``cat``."""

from __future__ import annotations

import io
import posixpath
from collections.abc import Mapping
from contextlib import suppress
from pathlib import PurePosixPath

import paramiko

from orchestrator.adapters.ssh.peer import printable

MODE = 0o755
# The slowest line for which the time limit of a transfer is still enough.
SLOWEST_BYTES_PER_S = 64 * 1024

_RECEIVER = """
mkdir -p "$1" || exit
part=$1/.$2.part
cat >"$part" && [ "$(wc -c <"$part")" -eq "$3" ] && chmod 755 "$part" && mv -f "$part" "$1/$2" && exit 0
rm -f "$part"
echo "not written whole" >&2
exit 1
"""


class TransferError(Exception):
    """A file did not arrive; the text says which and why."""


def open_sftp(channel: paramiko.Channel) -> paramiko.SFTPClient | None:
    """Ask for SFTP; ``None`` when the server has none.

    A server without it refuses the request, or (Dropbear) accepts it and finds no program to run.
    """
    try:
        channel.invoke_subsystem("sftp")
        return paramiko.SFTPClient(channel)
    except TimeoutError:
        raise
    except (paramiko.SSHException, paramiko.SFTPError, EOFError, OSError):
        return None


def send(client: paramiko.SFTPClient, files: Mapping[str, bytes], folder: str) -> None:
    """Write each file under a temporary name, verify its size, and rename it.

    Raises:
        TransferError: with the file and the reason.
        TimeoutError, OSError, EOFError, SSHException: the channel fails.
    """
    _make_folder(client, folder)
    for name, content in files.items():
        target = posixpath.join(folder, name)
        part = posixpath.join(folder, f".{name}.part")
        try:
            client.putfo(io.BytesIO(content), part, len(content))  # raises when the size is another afterwards
            client.chmod(part, MODE)
            _replace(client, part, target)
        except TimeoutError:
            raise
        except OSError as error:
            with suppress(OSError, EOFError, paramiko.SSHException):
                client.remove(part)
            raise TransferError(f"{target!r} cannot be written ({printable(error)})") from error


def receiver(folder: str, name: str, size: int) -> list[str]:
    """The command that writes its standard input to a file, for servers without SFTP."""
    anchored = folder if folder.startswith("/") else f"./{folder}"
    return ["/bin/sh", "-c", _RECEIVER, "sh", anchored, name, str(size)]


def hang_up(channel: paramiko.Channel) -> None:
    """End an SFTP session in order, with its exit status read (see :meth:`SshProcess.stop` for why)."""
    with suppress(OSError, EOFError, paramiko.SSHException):
        channel.shutdown_write()
        channel.status_event.wait(2.0)
        channel.close()


def _make_folder(client: paramiko.SFTPClient, folder: str) -> None:
    path = PurePosixPath(folder)
    for step in (*reversed(path.parents), path):
        name = str(step)
        if name in {".", "/"}:
            continue
        with suppress(TimeoutError, OSError):
            client.mkdir(name)  # "failure" is the answer too when it is there already
    try:
        client.stat(folder)
    except TimeoutError:
        raise
    except OSError as error:
        raise TransferError(f"the folder {folder!r} cannot be made ({printable(error)})") from error


def _replace(client: paramiko.SFTPClient, part: str, target: str) -> None:
    try:
        client.posix_rename(part, target)
    except TimeoutError:
        raise
    except OSError:  # a server without OpenSSH's extension: its plain rename refuses to replace
        with suppress(FileNotFoundError):
            client.remove(target)
        client.rename(part, target)
