"""What a lab may say for the driver libvirt, and that the driver needs its library only once it is opened."""

from __future__ import annotations

import subprocess
import sys

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
