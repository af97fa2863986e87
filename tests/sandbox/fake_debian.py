"""A Debian archive and its tools, small enough to see through: packages are dictionaries of paths."""

from __future__ import annotations

import hashlib
import io
import tarfile
import threading
from collections.abc import Sequence
from pathlib import Path

from orchestrator.errors import SandboxError

MODULES = "lib/modules/6.1.0-1-cloud-amd64"


def elf(*libraries: str, interpreter: str = "") -> bytes:
    """A 64-bit program that needs these libraries: one segment that is loaded at address 0, and what it says of itself.

    Laid out by the System V ABI: header of 64 bytes, program headers of 56, dynamic entries of 16.
    """
    strings, offsets = b"\0", []
    for library in libraries:
        offsets.append(len(strings))
        strings += library.encode() + b"\0"
    count = 3 if interpreter else 2
    text_at = 64 + 56 * count
    strings_at = text_at + len(interpreter) + 1
    dynamic_at = strings_at + len(strings)
    dynamic = b"".join(pair(1, offset) for offset in offsets) + pair(5, strings_at) + pair(0, 0)
    size = dynamic_at + len(dynamic)
    headers = segment(1, 0, size) + segment(2, dynamic_at, len(dynamic))
    headers += segment(3, text_at, len(interpreter) + 1) if interpreter else b""
    start = b"\x7fELF\x02\x01\x01" + bytes(9) + words(2, 3, 62) + words(4, 1) + words(8, 0, 64, 0)
    start += words(4, 0) + words(2, 64, 56, count, 64, 0, 0)
    return start + headers + interpreter.encode() + b"\0" + strings + dynamic


def words(width: int, *values: int) -> bytes:
    return b"".join(value.to_bytes(width, "little") for value in values)


def pair(tag: int, value: int) -> bytes:
    return words(8, tag, value)


def segment(kind: int, offset: int, size: int) -> bytes:
    return words(4, kind, 4) + words(8, offset, offset, offset, size, size, 8)


def module(*depends: str) -> bytes:
    return b"\x7fELF\0license=GPL\0depends=" + ",".join(depends).encode() + b"\0"


LOADER = "/lib64/ld-linux-x86-64.so.2"
LIBRARIES = "usr/lib/x86_64-linux-gnu"
#: Package to its dependencies.
DEPENDS = {
    "linux-image-cloud-amd64": ["linux-image-6.1.0-1-cloud-amd64"],
    "linux-image-6.1.0-1-cloud-amd64": ["kmod"],
    "busybox-static": [],
    "dropbear-bin": ["libc6", "libtomcrypt1"],
    "openssh-sftp-server": ["openssh-client", "libc6"],
    "libtomcrypt1": ["libc6"],
    "libc6": ["libgcc-s1"],
    "libgcc-s1": [],
    "libc-bin": ["libc6"],
    "base-files": [],
    "kmod": [],
    "openssh-client": [],
}
#: Package to path to content; a text that starts with "->" is a symbolic link.
FILES: dict[str, dict[str, bytes]] = {
    "linux-image-6.1.0-1-cloud-amd64": {
        "boot/vmlinuz-6.1.0-1-cloud-amd64": b"kernel",
        f"{MODULES}/modules.builtin": b"kernel/drivers/virtio/virtio.ko\n",
        f"{MODULES}/kernel/virtio_pci.ko": module("virtio"),
        f"{MODULES}/kernel/virtio_net.ko": module("virtio", "failover"),
        f"{MODULES}/kernel/failover.ko": module(),
        f"{MODULES}/kernel/virtio-rng.ko": module("virtio"),
        f"{MODULES}/kernel/button.ko": module(),
        f"{MODULES}/kernel/evdev.ko": module(),
        f"{MODULES}/kernel/pvpanic-mmio.ko": module("pvpanic"),
        f"{MODULES}/kernel/pvpanic-pci.ko": module("pvpanic"),
        f"{MODULES}/kernel/pvpanic.ko": module(),
        f"{MODULES}/kernel/unwanted.ko": module(),
    },
    "busybox-static": {"bin/busybox": elf()},
    "dropbear-bin": {
        "usr/sbin/dropbear": elf("libtomcrypt.so.1", "libc.so.6", interpreter=LOADER),
        "usr/share/man/man8/dropbear.8.gz": b"manual",
    },
    "openssh-sftp-server": {
        "usr/lib/openssh/sftp-server": elf("libc.so.6", interpreter=LOADER),
        "usr/lib/sftp-server": b"->openssh/sftp-server",
    },
    "libtomcrypt1": {
        f"{LIBRARIES}/libtomcrypt.so.1": b"->libtomcrypt.so.1.0.1",
        f"{LIBRARIES}/libtomcrypt.so.1.0.1": elf("libc.so.6"),
    },
    "libc6": {
        "lib/x86_64-linux-gnu/libc.so.6": elf("ld-linux-x86-64.so.2"),
        "lib/x86_64-linux-gnu/libthread_db.so.1": elf("libc.so.6"),
        "lib/x86_64-linux-gnu/ld-linux-x86-64.so.2": elf(),
        "lib64/ld-linux-x86-64.so.2": b"->/lib/x86_64-linux-gnu/ld-linux-x86-64.so.2",
    },
    "libgcc-s1": {"lib/x86_64-linux-gnu/libgcc_s.so.1": elf("libc.so.6")},
    "libc-bin": {"usr/bin/getconf": elf("libc.so.6", interpreter=LOADER)},
    "base-files": {"usr/lib/os-release": b'PRETTY_NAME="Debian"\n', "etc/os-release": b"->../usr/lib/os-release"},
}


class FakeDebian:
    """Runs what the sandbox runs: apt-cache, apt-get, dpkg, dpkg-deb, gcc and the busybox that was just unpacked.

    Attributes:
        files: package to path to content.
        versions: package to version, ``1`` where it is not named.
        offline: whether apt-get can download.
        ran: the first word of every command, in order.
        compiling: is waited for before gcc answers.
    """

    def __init__(self) -> None:
        self.files = {package: dict(files) for package, files in FILES.items()}
        self.versions: dict[str, str] = {}
        self.offline = False
        self.ran: list[str] = []
        self.compiling: threading.Barrier | None = None

    def __call__(self, argv: Sequence[str], *, folder: Path | None = None) -> bytes:
        program, *words = argv
        self.ran.append(Path(program).name)
        if program == "dpkg":
            return b"amd64\n"
        if program == "apt-cache":
            return self._depends([word for word in words if word in DEPENDS])
        if program == "apt-get":
            names = [word for word in words if word in DEPENDS]
            return self._uris(names) if "--print-uris" in words else self._download(names, folder)
        if program == "dpkg-deb":
            return self.archive(Path(words[-1]).name.split("_")[0])
        if program == "gcc":
            if self.compiling is not None:
                self.compiling.wait(10)
            Path(words[words.index("-o") + 1]).write_bytes(elf())
            return b""
        assert words == ["--list-full"]
        return b"bin/sh\nbin/busybox\nsbin/init\nusr/bin/getconf\nsbin/acpid\n"

    def _depends(self, roots: list[str]) -> bytes:
        shown, waiting = dict.fromkeys(roots), list(roots)
        while waiting:
            more = [name for name in DEPENDS[waiting.pop()] if name not in shown]
            shown.update(dict.fromkeys(more))
            waiting += more
        return "".join(
            f"{name}\n" + "".join(f"  Depends: {other}\n" for other in DEPENDS[name]) for name in shown
        ).encode()

    def file_name(self, package: str) -> str:
        return f"{package}_{self.versions.get(package, '1')}_amd64.deb"

    def content(self, package: str) -> bytes:
        return f"{self.file_name(package)} {sorted(self.files.get(package, {}).items())}".encode()

    def _uris(self, names: list[str]) -> bytes:
        lines = []
        for name in names:
            content, file = self.content(name), self.file_name(name)
            digest = hashlib.sha256(content).hexdigest()
            lines.append(f"'http://deb.example/pool/{file}' {file} {len(content)} SHA256:{digest}\n")
        return "".join(lines).encode()

    def _download(self, names: list[str], folder: Path | None) -> bytes:
        assert folder is not None
        if self.offline:
            raise SandboxError("'apt-get' ended with exit status 100: E: Failed to fetch")
        for name in names:
            (folder / self.file_name(name)).write_bytes(self.content(name))
        return b""

    def archive(self, package: str) -> bytes:
        target = io.BytesIO()
        with tarfile.open(fileobj=target, mode="w") as archive:
            for path, content in self.files.get(package, {}).items():
                member = tarfile.TarInfo(f"./{path}")
                member.mode = 0o755 if "bin/" in path else 0o644
                if content.startswith(b"->"):
                    member.type, member.linkname = tarfile.SYMTYPE, content[2:].decode()
                    archive.addfile(member)
                else:
                    member.size = len(content)
                    archive.addfile(member, io.BytesIO(content))
        return target.getvalue()
