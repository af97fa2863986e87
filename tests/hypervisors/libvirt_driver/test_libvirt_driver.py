"""What a lab may say for the driver libvirt, and that the driver needs its library only once it is opened."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import ValidationError

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import FEATURES
from orchestrator.engine.virtual_clock import VirtualClock
from orchestrator.errors import InputError
from orchestrator.hypervisors.libvirt.driver import LibvirtDriver
from orchestrator.hypervisors.libvirt.settings import LibvirtSettings

LAB = Lab.model_validate(
    {
        "hosts": {"quay": {"hypervisor": "libvirt", "uri": "test:///default"}},
        "guests": {"bookings-1": {"host": "quay", "ssh": {"address": "192.0.2.11", "user": "bench"}}},
    }
)
NO_CONNECTOR: object = None


def test_what_is_known_before_anything_is_opened() -> None:
    driver = LibvirtDriver()
    assert (driver.name, driver.features, driver.needs) == ("libvirt", FEATURES, frozenset({"uri", "ssh"}))


def test_settings() -> None:
    assert LibvirtSettings.model_validate({}) == LibvirtSettings(require_mark=False, cgroups="v2")
    assert LibvirtSettings.model_validate({"require-mark": True, "cgroups": "v1"}).require_mark
    for wrong in ({"require-mark": "yes"}, {"cgroups": "v3"}, {"password": "x"}):
        with pytest.raises(ValidationError):
            LibvirtSettings.model_validate(wrong)


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ModuleNotFoundError("No module named 'libvirt'", name="libvirt"), r"pip install libvirt-python \(it builds"),
        (ImportError("libvirt.so.0: cannot open shared object file", name="libvirtmod"), "does not load .libvirt.so.0"),
    ],
)
def test_a_missing_library_is_said_with_what_to_do(
    error: ImportError, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Missing:
        def find_spec(self, name: str, *_rest: object) -> None:
            if name == "libvirt":
                raise error

    for name in [name for name in sys.modules if name == "libvirt" or "hypervisors.libvirt." in name]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    with pytest.raises(InputError, match=says) as raised:
        LibvirtDriver().open("bookings-1", LAB, VirtualClock(), NO_CONNECTOR)  # type: ignore[arg-type]
    assert raised.value.problems[0].field == "hosts.quay.hypervisor"


def test_the_driver_is_imported_without_its_library() -> None:
    code = (
        "import sys, orchestrator.hypervisors.libvirt.driver\n"
        "assert 'libvirt' not in sys.modules and 'paramiko' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


PLAN = """\
title: Bookings on one size
guest: bookings-1
lab: lab.yaml
shapes:
  - {name: one, vcpus: 1, memory: 512 MiB}
workloads:
  - {name: bookings, use: bookings, threads: [1]}
"""
LAB_TEXT = """\
hosts:
  quay: {hypervisor: libvirt, uri: "test:///default"}
guests:
  bookings-1:
    host: quay
    ssh: {address: 192.0.2.11, user: bench}
    may-power-cycle: true
    limits: {vcpus: 4, memory: 2 GiB}
"""


@pytest.mark.parametrize(
    ("module", "says"),
    [
        ("raise ImportError('libvirt.so.0: cannot open shared object file')", "does not load (libvirt.so.0: cannot"),
        ("import libvirtmod_of_another_version", "does not load (No module named 'libvirtmod_of_another_version')"),
        ("VERSION = 1", "another Python module of the name libvirt hides"),
    ],
)
def test_a_library_that_does_not_load_is_one_clear_message(tmp_path: Path, module: str, says: str) -> None:
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "lab.yaml").write_text(LAB_TEXT)
    (tmp_path / "modules").mkdir()
    (tmp_path / "modules/libvirt.py").write_text(module)
    commands = [  # side by side: most of their time is spent on starting
        subprocess.Popen(
            [sys.executable, "-m", "orchestrator", *words, "plan.yaml"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path / "modules"), *sys.path])},
            cwd=tmp_path,
        )
        for words in (["check", "--probe"], ["run"])
    ]
    for command in commands:
        output, _ = command.communicate(timeout=60)
        said = " ".join(output.split())
        assert (command.returncode, "defect" in said, "Traceback" in said) == (2, False, False), said
        assert says in said
        assert "hosts.quay.hypervisor" in said
