"""Images: built once from the same things, anew from others, whole or not at all, and given keys for each guest."""

from __future__ import annotations

import json
import re
import stat
import threading
from pathlib import Path

import pytest
from fake_debian import LIBRARIES, FakeDebian
from newc_reader import Found, read

from orchestrator.errors import SandboxError
from orchestrator.sandbox import cache as kept_images
from orchestrator.sandbox import images, recipes, requirements
from orchestrator.sandbox.commands import run
from orchestrator.sandbox.images import Image
from orchestrator.sandbox.keys import make_key, server_key


@pytest.fixture(autouse=True)
def _fit_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the machine that runs these tests has installed is another test's matter."""
    monkeypatch.setattr(requirements, "require_packages", lambda *_: None)


@pytest.fixture
def archive() -> FakeDebian:
    return FakeDebian()


def build(cache: Path, archive: FakeDebian, said: list[str] | None = None) -> Image:
    return images.build("small", cache, (said if said is not None else []).append, archive)


def entries(path: Path) -> dict[str, Found]:
    return {entry.name: entry for entry in read(path.read_bytes())}


# ------------------------------------------------------------------------------------------------ what is in an image


def test_an_image_has_the_kernel_and_what_the_recipe_keeps(tmp_path: Path, archive: FakeDebian) -> None:
    image = build(tmp_path, archive)
    found = entries(image.initrd)
    assert image.kernel.read_bytes() == b"kernel"
    assert image.memory == 192 * 2**20
    for path in ("usr/sbin/dropbear", "usr/lib/openssh/sftp-server", "usr/bin/busybox", "usr/bin/work", "etc/rc"):
        assert stat.S_IMODE(found[path].fields["c_mode"]) & 0o444, path
    assert found["usr/bin/sh"].data == b"/usr/bin/busybox"
    assert found["init"].data == b"usr/bin/busybox"
    assert stat.S_ISREG(found["usr/bin/getconf"].fields["c_mode"]), "a real program comes before busybox's"
    assert not [path for path in found if "/man/" in path or path.startswith("boot")]


def test_libraries_come_along_with_what_they_need_and_no_others(tmp_path: Path, archive: FakeDebian) -> None:
    found = entries(build(tmp_path, archive).initrd)
    libraries = {path.removeprefix(f"{LIBRARIES}/") for path in found if path.startswith(f"{LIBRARIES}/")}
    expected = {"libtomcrypt.so.1", "libtomcrypt.so.1.0.1", "libc.so.6", "ld-linux-x86-64.so.2", "libgcc_s.so.1"}
    assert libraries == expected
    assert "usr/lib64/ld-linux-x86-64.so.2" in found


def test_modules_are_listed_in_the_order_in_which_they_load(tmp_path: Path, archive: FakeDebian) -> None:
    found = entries(build(tmp_path, archive).initrd)
    names = found["etc/modules"].data.decode().split()
    assert names.index("failover") < names.index("virtio_net")
    assert names.index("pvpanic") < names.index("pvpanic_mmio")
    assert "virtio" not in names, "it is part of that kernel"
    assert {f"usr/lib/modules/{name}.ko" for name in names} == {path for path in found if path.endswith(".ko")}


def test_nobody_can_log_in_to_an_image_as_built(tmp_path: Path, archive: FakeDebian) -> None:
    assert not [path for path in entries(build(tmp_path, archive).initrd) if "key" in path]


def test_a_missing_library_is_an_error_when_it_is_built(tmp_path: Path, archive: FakeDebian) -> None:
    del archive.files["libtomcrypt1"][f"{LIBRARIES}/libtomcrypt.so.1.0.1"]
    with pytest.raises(SandboxError, match=r"none of the image's packages: libtomcrypt.so.1 \(needed by /usr/sbin/dr"):
        build(tmp_path, archive)
    assert not list(tmp_path.glob("small-*"))


def test_a_program_that_the_packages_do_not_have_is_an_error(tmp_path: Path, archive: FakeDebian) -> None:
    del archive.files["openssh-sftp-server"]["usr/lib/sftp-server"]
    with pytest.raises(SandboxError, match=r"image small do not have usr/lib/sftp-server"):
        build(tmp_path, archive)


def test_a_missing_module_is_an_error(tmp_path: Path, archive: FakeDebian) -> None:
    kernel = archive.files["linux-image-6.1.0-1-cloud-amd64"]
    del kernel["lib/modules/6.1.0-1-cloud-amd64/kernel/pvpanic.ko"]
    with pytest.raises(SandboxError, match="no module pvpanic, which module pvpanic_mmio needs"):
        build(tmp_path, archive)


def test_an_unknown_image_is_told_what_there_is(tmp_path: Path, archive: FakeDebian) -> None:
    with pytest.raises(SandboxError, match="no image 'large'; there are small, python, postgres"):
        images.build("large", tmp_path, print, archive)


# ------------------------------------------------------------------------------------------------------- the cache


def test_the_same_things_are_built_once(tmp_path: Path, archive: FakeDebian) -> None:
    said: list[str] = []
    first = build(tmp_path, archive, said)
    assert re.match(r"building the image small from 10 Debian packages \(", said[0])
    archive.ran.clear()
    again: list[str] = []
    archive.offline = True
    assert build(tmp_path, archive, again) == first
    assert again == []
    assert archive.ran == ["apt-cache", "apt-get"], "only versions are asked for"


def test_two_caches_get_the_same_bytes(tmp_path: Path) -> None:
    one, other = (build(tmp_path / name, FakeDebian()) for name in ("one", "other"))
    assert one.initrd.read_bytes() == other.initrd.read_bytes()
    assert one.digest == other.digest


def test_another_version_of_a_package_is_another_image(tmp_path: Path, archive: FakeDebian) -> None:
    first = build(tmp_path, archive)
    archive.versions["dropbear-bin"] = "2"
    second = build(tmp_path, archive)
    assert second.digest != first.digest
    assert first.kernel.exists(), "who boots the first one can go on"
    assert [item.path for item in kept_images.kept(tmp_path)] == sorted([first.kernel.parent, second.kernel.parent])


def test_another_file_of_ours_is_another_image(
    tmp_path: Path, archive: FakeDebian, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = build(tmp_path, archive)
    monkeypatch.setattr(recipes, "own_file", lambda name: b"other" if name == "rc" else b"same")
    assert build(tmp_path, archive).digest != first.digest


@pytest.mark.parametrize("name", ["vmlinuz", "initrd", "recipe.json"])
@pytest.mark.parametrize("damage", ["gone", "torn", "other"])
def test_a_damaged_image_is_built_anew(tmp_path: Path, archive: FakeDebian, name: str, damage: str) -> None:
    image = build(tmp_path, archive)
    path = image.kernel.parent / name
    content = path.read_bytes()
    if damage == "gone":
        path.unlink()
    else:
        path.write_bytes(content[: len(content) // 2] if damage == "torn" else b"x" * len(content))
    assert build(tmp_path, archive) == image
    assert path.read_bytes() == content


def test_two_builders_at_once_do_no_harm(tmp_path: Path, archive: FakeDebian) -> None:
    archive.compiling = threading.Barrier(2)
    built: list[Image] = []
    builders = [threading.Thread(target=lambda: built.append(build(tmp_path, archive))) for _ in range(2)]
    for builder in builders:
        builder.start()
    for builder in builders:
        builder.join(20)
    assert len(built) == 2
    assert built[0] == built[1]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["packages", f"small-{built[0].digest}"]


def test_what_a_killed_builder_left_is_removed_and_a_living_ones_work_is_not(
    tmp_path: Path, archive: FakeDebian
) -> None:
    left = tmp_path / f"{kept_images.PARTIAL}killed"
    left.mkdir()
    (left / "lock").touch()
    (left / "half").write_bytes(b"half")
    with kept_images.scratch(tmp_path) as alive:
        build(tmp_path, archive)
        assert alive.exists()
    assert not left.exists()
    assert not alive.exists()


def test_a_failed_build_leaves_nothing_half_made(tmp_path: Path, archive: FakeDebian) -> None:
    del archive.files["busybox-static"]["bin/busybox"]
    with pytest.raises(SandboxError, match="usr/bin/busybox"):
        build(tmp_path, archive)
    assert [path.name for path in tmp_path.iterdir()] == ["packages"]


def test_a_cache_that_cannot_be_written_is_named(tmp_path: Path, archive: FakeDebian) -> None:
    (tmp_path / "cache").write_text("a file")
    with pytest.raises(SandboxError, match=r"cache cannot be written: .*check the folder and the disk"):
        build(tmp_path / "cache", archive)


def test_clearing_takes_images_and_packages_and_nothing_else(tmp_path: Path, archive: FakeDebian) -> None:
    image = build(tmp_path, archive)
    size = image.kernel.stat().st_size + image.initrd.stat().st_size
    (tmp_path / "mine.txt").write_text("kept")
    assert kept_images.clear(tmp_path) > size
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    assert kept_images.clear(tmp_path) == 0
    assert kept_images.clear(tmp_path / "none") == 0


def test_what_an_image_was_made_of_is_told_beside_it(tmp_path: Path, archive: FakeDebian) -> None:
    told = json.loads((build(tmp_path, archive).kernel.parent / "recipe.json").read_text())
    assert told["recipe"] == "small"
    assert "dropbear-bin_1_amd64.deb" in told["packages"]


# ------------------------------------------------------------------------------------------------------------- keys


def test_a_guest_gets_its_name_its_host_key_and_one_login(tmp_path: Path, archive: FakeDebian) -> None:
    image = build(tmp_path / "cache", archive)
    login = make_key(tmp_path / "identity", "login", run)
    make_key(tmp_path / "host", "guest", run)
    target = images.personal(image, "bookings-1", tmp_path / "host", login, tmp_path / "guests" / "bookings-1.initrd")
    assert target.read_bytes().startswith(image.initrd.read_bytes())
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    found = entries(target)
    assert found["etc/hostname"].data == b"bookings-1\n"
    assert found["etc/dropbear/authorized_keys"].data.decode() == login + "\n"
    assert found["etc/dropbear/hostkey"].data == server_key(tmp_path / "host")
    assert stat.S_IMODE(found["etc/dropbear/hostkey"].fields["c_mode"]) == 0o600


def test_one_image_serves_guests_with_different_keys(tmp_path: Path, archive: FakeDebian) -> None:
    image = build(tmp_path / "cache", archive)
    keys = {}
    for name in ("bookings-1", "timetable-1"):
        make_key(tmp_path / name, name, run)
        target = images.personal(image, name, tmp_path / name, "ssh-ed25519 AAAA login", tmp_path / f"{name}.initrd")
        keys[name] = entries(target)["etc/dropbear/hostkey"].data
    assert keys["bookings-1"] != keys["timetable-1"]
    assert build(tmp_path / "cache", archive) == image, "its files are as they were built"


def test_a_guests_file_is_replaced_whole(tmp_path: Path, archive: FakeDebian) -> None:
    image = build(tmp_path / "cache", archive)
    make_key(tmp_path / "host", "guest", run)
    target = tmp_path / "guest.initrd"
    for login in ("ssh-ed25519 AAAA one", "ssh-ed25519 AAAA two"):
        images.personal(image, "guest", tmp_path / "host", login, target)
        assert entries(target)["etc/dropbear/authorized_keys"].data.decode() == login + "\n"
    assert not list(tmp_path.glob(f"{kept_images.PARTIAL}*"))
