"""What readers of a run ask of the plan that it keeps, whatever version wrote it.

A run keeps its plan as plain values, so that one of an earlier version, or by another hand, can still be shown. Keys
may be written with ``_`` or with ``-``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from orchestrator.core.design.workload import BUILT_IN_READER


@dataclass(frozen=True)
class StoredPlan:
    """The plan of a stored run.

    Attributes:
        entries: as they are kept.
    """

    entries: Mapping[str, Any]

    def at(self, *path: str) -> Any:
        """What stands below these keys, which are written with ``_`` here; ``None`` where nothing does."""
        found: Any = self.entries
        for key in path:
            if not isinstance(found, Mapping):
                return None
            found = found.get(key, found.get(key.replace("_", "-")))
        return found

    def number(self, *path: str, usual: float) -> float:
        """The number below these keys; the usual one of a plan that was stored before it could declare it."""
        found = self.at(*path)
        return usual if found is None else float(found)

    @property
    def has_blocks(self) -> bool:
        """Whether it says anything of blocks: a plan of imported readings need not."""
        return self.at("design", "blocks") is not None

    @property
    def until_decided(self) -> bool:
        """Whether the run ends as soon as the evidence decides, so that the number of its blocks is not fixed."""
        return isinstance(self.at("design", "blocks"), Mapping)

    @property
    def least_blocks(self) -> int | None:
        """Blocks before the first look at the evidence; ``None`` where their number is fixed, or this is not told."""
        return self._blocks("at_least")

    @property
    def most_blocks(self) -> int | None:
        """Blocks at the most, however undecided it still is; ``None`` likewise."""
        return self._blocks("at_most")

    @property
    def margin(self) -> float:
        """The smallest relative difference that matters. KeyError, TypeError, ValueError: there is none to be read."""
        return float(self.entries["decide"]["margin"])

    @property
    def confidence(self) -> float:
        """The confidence of the verdict. KeyError, TypeError, ValueError: there is none to be read."""
        return float(self.entries["decide"]["confidence"])

    @property
    def share_host(self) -> bool:
        """Whether other runs may use the host at the same time."""
        return self.entries.get("share_host") is True

    @property
    def shapes(self) -> Sequence[Mapping[str, Any]]:
        """The shapes as declared. KeyError: it has none."""
        found: Sequence[Mapping[str, Any]] = self.entries["shapes"]
        return found

    @property
    def workloads(self) -> Sequence[Mapping[str, Any]]:
        """The workloads as declared. KeyError: it has none."""
        found: Sequence[Mapping[str, Any]] = self.entries["workloads"]
        return found

    def reader(self, workload: str) -> Mapping[str, Any]:
        """How the figures of a workload are read, as far as that is told: ``figure`` and ``per``."""
        for load in self.entries.get("workloads", ()):
            if isinstance(load, Mapping) and load.get("name") == workload:
                given = load.get("reader") or {"figure": BUILT_IN_READER.figure, "per": BUILT_IN_READER.per}
                return given if isinstance(given, Mapping) else {}
        return {}

    def _blocks(self, end: str) -> int | None:
        found = self.at("design", "blocks", end)
        return None if found is None else int(found)
