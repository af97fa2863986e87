"""A simulated guest on a host that outlives the program: its definition and power state are kept in a file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from orchestrator.core.design.lab import Lab
from orchestrator.core.design.shape import Shape
from orchestrator.engine.ports import Clock, Connector, Description, Equipment, LeftBehind, SavedGuest
from orchestrator.hypervisors.simulated.driver import SimulatedDriver
from orchestrator.hypervisors.simulated.hypervisor import SimulatedHypervisor
from orchestrator.hypervisors.simulated.world import SimulatedWorld
from orchestrator.units import Seconds


class LastingHypervisor(SimulatedHypervisor):
    """Writes the file after each change, as a real host knows at once what was done to its guest."""

    def __init__(self, world: SimulatedWorld, file: Path) -> None:
        super().__init__(world)
        self._file = file
        self._mark: str | None = None
        if file.is_file():
            state = json.loads(file.read_text())
            super().restore(SavedGuest({"guest.json": state["definition"].encode()}, state["running"]))
            self._mark = state["mark"]
        self._remember()

    def describe(self) -> Description:
        return replace(super().describe(), shaped_as=self._mark)

    def reshape(self, shape: Shape, saved: SavedGuest) -> None:
        super().reshape(shape, saved)
        self._mark = shape.name
        self._remember()

    def start(self) -> None:
        super().start()
        self._remember()

    def stop(self, timeout_s: Seconds) -> None:
        super().stop(timeout_s)
        self._remember()

    def restore(self, saved: SavedGuest) -> None:
        super().restore(saved)
        self._mark = None
        self._remember()

    def _remember(self) -> None:
        saved = self.save()
        state = {"definition": saved.files["guest.json"].decode(), "running": saved.running, "mark": self._mark}
        self._file.write_text(json.dumps(state, indent=1))


class LastingDriver(SimulatedDriver):
    """Takes the file from where the experiment is made."""

    name = "lasting"
    left_behind: LeftBehind = "marked"

    def __init__(self, file: Path) -> None:
        self._file = file

    def open(self, guest: str, lab: Lab, clock: Clock, connector: Connector) -> Equipment:
        made = super().open(guest, lab, clock, connector)
        assert isinstance(made.hypervisor, SimulatedHypervisor)
        return replace(made, hypervisor=LastingHypervisor(made.hypervisor._world, self._file))
