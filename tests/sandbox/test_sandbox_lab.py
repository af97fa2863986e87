"""The lab that a sandbox writes: read by who reads labs, by OpenSSH's client, and removed only while it is its own."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from orchestrator.core.design.lab import Lab
from orchestrator.errors import InputError
from orchestrator.sandbox.lab_file import (
    Login,
    SandboxLab,
    check_place,
    default_lab,
    digest,
    remove_lab,
    write_lab,
)

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAICMtWFR9SEUXFEaNX3oSmm68mcI2mRgzrziL8Ju6Y9+/"
URI = "qemu+unix:///session?socket=/srv/sb/run/libvirt/libvirt-sock"


def content(**changes: Any) -> SandboxLab:
    told: dict[str, Any] = {
        "uri": URI,
        "identity": Path("/srv/sb/keys/identity"),
        "host": Login(40123, "mara", KEY),
        "guests": {"bookings-1": Login(40124, "root", KEY), "timetable-1": Login(40125, "root", KEY)},
        **changes,
    }
    return SandboxLab(**told)


def test_it_is_a_lab_with_strict_logins_and_marked_guests() -> None:
    lab = Lab.model_validate(yaml.safe_load(content().text()))
    host = lab.hosts["sandbox"]
    assert (host.hypervisor, host.uri, host.with_) == ("libvirt", URI, {"require-mark": True})
    assert host.ssh is not None
    assert (host.ssh.address, host.ssh.port, host.ssh.user) == ("127.0.0.1", 40123, "mara")
    for name, port in (("bookings-1", 40124), ("timetable-1", 40125)):
        guest = lab.guests[name]
        assert (guest.host, guest.may_power_cycle, guest.force_off) == ("sandbox", True, True)
        assert (guest.limits.vcpus, guest.limits.memory) == (4, 2 * 2**30)
        assert guest.ssh is not None
        assert (guest.ssh.port, guest.ssh.user, guest.ssh.host_key) == (port, "root", KEY)
        assert guest.ssh.identity == "/srv/sb/keys/identity"


def test_without_a_login_on_the_host_none_is_named() -> None:
    assert Lab.model_validate(yaml.safe_load(content(host=None).text())).hosts["sandbox"].ssh is None
    assert "Host sandbox" not in content(host=None).ssh_config("sandbox")


@pytest.mark.parametrize("user", ["no", "1000", "null", "_apt", "mara.k"])
def test_a_users_name_stays_text(user: str) -> None:
    lab = yaml.safe_load(content(host=Login(40123, user, KEY)).text())
    assert lab["hosts"]["sandbox"]["ssh"]["user"] == user


@pytest.mark.real
@pytest.mark.skipif(shutil.which("ssh") is None, reason="OpenSSH's client is not installed (openssh-client)")
def test_opensshs_client_reads_the_same(tmp_path: Path) -> None:
    (tmp_path / "ssh_config").write_text(content().ssh_config("sandbox"))
    asked = ["ssh", "-G", "-F", str(tmp_path / "ssh_config"), "timetable-1"]
    told = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines()
    for line in (
        "hostname 127.0.0.1",
        "port 40125",
        "user root",
        "hostkeyalias timetable-1",
        "identityfile /srv/sb/keys/identity",
        "identitiesonly yes",
        "userknownhostsfile /srv/sb/keys/known_hosts",
        "stricthostkeychecking true",
        "batchmode yes",
    ):
        assert line in told
    assert content().known_hosts("sandbox").splitlines() == [
        f"{name} {KEY}" for name in ("sandbox", "bookings-1", "timetable-1")
    ]


def test_it_is_written_whole_written_again_and_removed(tmp_path: Path) -> None:
    lab = tmp_path / "sandbox.yaml"
    first = write_lab(lab, "one\n", "")
    assert digest(lab) == first
    second = write_lab(lab, "two\n", first)
    assert lab.read_text() == "two\n"
    assert [place.name for place in tmp_path.iterdir()] == ["sandbox.yaml"]
    assert remove_lab(lab, second) == ""
    assert list(tmp_path.iterdir()) == []
    assert remove_lab(lab, second) == "", "harmless when it has gone"


def test_another_lab_is_never_overwritten(tmp_path: Path) -> None:
    lab = tmp_path / "mine.yaml"
    lab.write_text("mine\n")
    with pytest.raises(InputError, match=r"mine\.yaml.*did not write.*--lab"):
        write_lab(lab, "one\n", "")
    assert lab.read_text() == "mine\n"


def test_a_lab_that_was_changed_is_neither_overwritten_nor_removed(tmp_path: Path) -> None:
    lab = tmp_path / "sandbox.yaml"
    written = write_lab(lab, "one\n", "")
    lab.write_text("one\n# and a remark of mine\n")
    with pytest.raises(InputError, match="changed since it was written"):
        check_place(lab, written)
    assert remove_lab(lab, written).endswith("has been changed since it was written")
    assert "remark of mine" in lab.read_text()


def test_a_place_that_cannot_be_written_to_is_refused_beforehand(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not exist"):
        check_place(tmp_path / "none/sandbox.yaml", "")
    with pytest.raises(InputError, match="is a folder"):
        check_place(tmp_path, "")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="did not write"):
        check_place(tmp_path / "link", "")


def test_plans_find_it_where_they_look(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert default_lab(Path("/srv/sb/lab.yaml")) == Path("/srv/sb/lab.yaml")
    (tmp_path / "plans/labs").mkdir(parents=True)
    assert default_lab(Path("/srv/sb/lab.yaml")) == Path("plans/labs/sandbox.yaml")
