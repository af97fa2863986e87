"""Debian packages: what apt says is read right, and dpkg-deb's own packages are."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest
from fake_debian import FakeDebian

from orchestrator.errors import SandboxError
from orchestrator.sandbox import commands, debian

#: In the form that apt-cache(8) prints: alternatives marked with "|", virtual packages in angle brackets with their
#: providers below.
DEPENDS = """\
ferry-server
  PreDepends: init-tools
  Depends: libferry1
 |Depends: tides
  Depends: tides-old
  Depends: <mail-agent>
    postmark
    letterbox
  Depends: ferry-locales:any
libferry1
  Depends: libc6
<mail-agent>
init-tools
tides
  Depends: libc6
tides-old
postmark
letterbox
ferry-locales
libc6
"""


class Apt:
    """Answers with given text."""

    def __init__(self, answer: str) -> None:
        self.answer, self.asked = answer, list[list[str]]()

    def __call__(self, argv: Sequence[str], *, folder: Path | None = None) -> bytes:
        assert folder is None
        self.asked.append(list(argv))
        return self.answer.encode()


def test_dependencies_are_followed_but_for_what_is_left_out() -> None:
    found = debian.closure(["ferry-server"], r"init-.*|.*-locales", Apt(DEPENDS))
    assert found == ["ferry-server", "libc6", "libferry1", "postmark", "tides"]


def test_an_unknown_package_is_named() -> None:
    with pytest.raises(SandboxError, match=r"apt knows no package gull.*apt-get update"):
        debian.closure(["ferry-server", "gull"], "", Apt(DEPENDS))


def test_versions_and_digests_are_what_apt_would_download() -> None:
    apt = Apt(
        "'http://deb.example/pool/b/busybox/busybox-static_1.35.0-4%2bb1_amd64.deb' "
        "busybox-static_1%3a1.35.0-4+b1_amd64.deb 928188 SHA256:3d3fdbe9\n"
        "'http://deb.example/pool/t/tides_2_all.deb' tides_2_all.deb 7 SHA256:00ff\n"
    )
    packages = debian.resolve(["tides", "busybox-static"], apt)
    assert packages == [
        debian.Package("tides", "tides_2_all.deb", 7, "SHA256:00ff"),
        debian.Package("busybox-static", "busybox-static_1%3a1.35.0-4+b1_amd64.deb", 928188, "SHA256:3d3fdbe9"),
    ]
    assert "--print-uris" in apt.asked[0]


def test_a_package_that_apt_cannot_place_is_named() -> None:
    with pytest.raises(SandboxError, match="does not tell where to get tides; refresh its lists"):
        debian.resolve(["tides"], Apt("'http://deb.example/tides_2_all.deb' tides_2_all.deb 7 \n"))


def test_packages_are_downloaded_once_and_again_when_damaged(tmp_path: Path) -> None:
    archive = FakeDebian()
    packages = debian.resolve(["libc6", "base-files"], archive)
    first = debian.download(packages, tmp_path / "store", archive)
    assert [path.name for path in first] == ["libc6_1_amd64.deb", "base-files_1_amd64.deb"]
    archive.offline = True
    assert debian.download(packages, tmp_path / "store", archive) == first
    first[0].write_bytes(b"torn")
    with pytest.raises(SandboxError, match=r"cannot be downloaded .*Failed to fetch.*apt-get update"):
        debian.download(packages, tmp_path / "store", archive)
    archive.offline = False
    debian.download(packages, tmp_path / "store", archive)
    assert first[0].read_bytes() == archive.content("libc6")
    assert sorted(path.name for path in (tmp_path / "store").iterdir()) == sorted(path.name for path in first)


def test_what_is_not_what_the_lists_promise_is_refused(tmp_path: Path) -> None:
    archive = FakeDebian()
    packages = debian.resolve(["libc6"], archive)
    archive.files["libc6"]["extra"] = b"from a mirror that is ahead"
    with pytest.raises(SandboxError, match=r"did not bring libc6_1_amd64\.deb as its lists have it"):
        debian.download(packages, tmp_path, archive)
    assert list(tmp_path.glob("*")) == []


def test_wholeness_is_by_digest_and_size(tmp_path: Path) -> None:
    content = b"a package"
    path = tmp_path / "p.deb"
    path.write_bytes(content)
    good = debian.Package("p", "p.deb", len(content), f"SHA256:{hashlib.sha256(content).hexdigest()}")
    assert good.is_whole(path)
    assert not good.is_whole(tmp_path / "none.deb")
    assert not debian.Package("p", "p.deb", len(content), "SHA256:" + "0" * 64).is_whole(path)
    assert not debian.Package("p", "p.deb", len(content), "NoSuchSum:00").is_whole(path)
    path.write_bytes(content[:-1] + b"!")
    assert not good.is_whole(path)


@pytest.fixture
def real_package(tmp_path: Path) -> Path:
    """A package made by dpkg-deb."""
    if shutil.which("dpkg-deb") is None:
        pytest.skip("dpkg-deb is not installed")
    root = tmp_path / "root"
    for name in ("DEBIAN", "bin", "usr/bin", "lib/x86_64-linux-gnu"):
        (root / name).mkdir(parents=True)
    (root / "DEBIAN/control").write_text(
        "Package: tides\nVersion: 1\nArchitecture: all\nMaintainer: Saltmarsh Ferries <post@ferries.example>\n"
        "Description: tide tables\n"
    )
    (root / "bin/tide").write_text("#!/bin/sh\n")
    (root / "bin/tide").chmod(0o4755)
    os.link(root / "bin/tide", root / "usr/bin/ebb")
    (root / "lib/x86_64-linux-gnu/libtide.so.1").symlink_to("libtide.so.1.2")
    (root / "lib/x86_64-linux-gnu/libtide.so.1.2").write_bytes(b"library")
    done = ["dpkg-deb", "--root-owner-group", "-b", str(root), str(tmp_path / "tides.deb")]
    subprocess.run(done, check=True, capture_output=True)
    return tmp_path / "tides.deb"


def test_a_real_package_is_read_with_modes_links_and_merged_folders(real_package: Path) -> None:
    found = debian.contents(real_package, lambda path: not path.startswith("DEBIAN"), commands.run)
    assert found["usr/bin/tide"].content == b"#!/bin/sh\n"
    assert stat.S_IMODE(found["usr/bin/tide"].mode) == 0o4755
    assert found["usr/bin/ebb"].content == b"#!/bin/sh\n", "a hard link is the file itself"
    library = found["usr/lib/x86_64-linux-gnu/libtide.so.1"]
    assert (stat.S_ISLNK(library.mode), library.content) == (True, b"libtide.so.1.2")
    assert not any(path.split("/")[0] in {"bin", "lib"} for path in found)


def test_only_what_is_wanted_is_read(real_package: Path) -> None:
    found = debian.contents(real_package, lambda path: path.endswith(".so.1.2"), commands.run)
    assert list(found) == ["usr/lib/x86_64-linux-gnu/libtide.so.1.2"]


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("./bin/sh", "usr/bin/sh"),
        ("/lib64/ld.so", "usr/lib64/ld.so"),
        ("usr/bin/sh", "usr/bin/sh"),
        ("/usr/lib/a/../b.so", "usr/lib/b.so"),
        ("etc/motd", "etc/motd"),
        ("./", ""),
    ],
)
def test_merged_paths(path: str, expected: str) -> None:
    assert debian.merged(path) == expected


def test_a_program_that_fails_is_told_with_its_last_words() -> None:
    with pytest.raises(SandboxError, match=r"'sh -c echo no tide >&2; exit 3' ended with exit status 3: no tide"):
        commands.run(["sh", "-c", "echo no tide >&2; exit 3"])
    with pytest.raises(SandboxError, match="the program no-such-program is not there"):
        commands.run(["no-such-program"])
