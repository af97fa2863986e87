"""The worked example without a virtual machine: what it keeps of a guest, and that it forgets it again."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import orchestrator.hypervisors.command as package

pytestmark = pytest.mark.real

EXAMPLE = Path(package.__file__).parent / "example"


class Quay:
    """A folder with the example's files and a stand-in for QEMU on the search path."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("qemu_guest.py", "bookings-1.json"):
            shutil.copy(EXAMPLE / name, folder)
        programs = folder / "programs"
        programs.mkdir()
        emulator = programs / "qemu-system-x86_64"
        # The parent returns only once its child has written its number, as QEMU's does.
        fake = Path(__file__).with_name("fake_qemu.py")
        wait = "until [ -e ready ]; do sleep 0.01; done; rm ready"
        emulator.write_text(f'#!/bin/sh\n{sys.executable} {fake} "$@" && {wait}\n')
        emulator.chmod(0o755)
        self._path = f"{programs}:{os.environ['PATH']}"

    def run(self, verb: str, *options: str) -> str:
        words = [sys.executable, "qemu_guest.py", verb, "bookings-1", *options]
        done = subprocess.run(
            words, cwd=self.folder, capture_output=True, text=True, timeout=60, check=True, env={"PATH": self._path}
        )
        return done.stdout

    def files(self) -> set[str]:
        return {place.name for place in self.folder.glob("bookings-1*")}


@pytest.fixture
def quay(tmp_path: Path) -> Iterator[Quay]:
    made = Quay(tmp_path)
    yield made
    made.run("force-off")


@pytest.mark.parametrize("way", ["stop", "force-off"])
def test_nothing_is_left_of_a_guest_that_went_off(quay: Quay, way: str) -> None:
    assert quay.files() == {"bookings-1.json"}
    quay.run("start")
    assert json.loads(quay.run("describe"))["state"] == "running"
    assert quay.files() == {f"bookings-1.{end}" for end in ("json", "process", "pid", "qmp")}
    quay.run(way)
    assert quay.files() == {"bookings-1.json"}
    assert json.loads(quay.run("describe"))["state"] == "stopped"
    quay.run("start")
    assert json.loads(quay.run("describe"))["state"] == "running"


def test_a_guest_that_does_not_heed_its_power_button_is_not_forgotten(quay: Quay) -> None:
    quay.run("start")
    (quay.folder / "deaf").touch()
    quay.run("stop")
    assert json.loads(quay.run("describe"))["state"] == "running"
