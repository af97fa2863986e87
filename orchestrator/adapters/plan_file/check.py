"""Everything that can be wrong with a plan and a lab as values: each by itself, their drivers, and the two together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from orchestrator.adapters.plan_file.explain import build
from orchestrator.adapters.plan_file.source import Node, Source
from orchestrator.adapters.plan_file.text import MOST_PATH
from orchestrator.core.design.declared import Declared, Finding
from orchestrator.core.design.fit import misfits, plan_misfits
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.wording import shown, unknown

MOST_FILE_BYTES = 64 * 2**20

M = TypeVar("M", bound=Declared)


@dataclass(frozen=True)
class DriverFacts:
    """What has to be known of a hypervisor driver to check a plan and a lab, without starting it.

    Attributes:
        settings: model of a host's ``with``; ``Declared`` itself for a driver that has no settings.
        features: which of a shape's optional features the driver can set: ``topology``, ``quota``, ``pin``.
    """

    settings: type[Declared] = Declared
    features: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True)
class Checked:
    """What came out of checking; None where there was an objection.

    Attributes:
        settings: by host, the settings of its driver.
    """

    plan: Plan | None
    lab: Lab | None
    settings: Mapping[str, Declared]


def check(plan_source: Source, lab_source: Source, drivers: Mapping[str, DriverFacts]) -> Checked:
    """Check plan and lab, each by itself and the one against the other; objections go into the sources."""
    plan = _build(Plan, plan_source)
    lab = _build(Lab, lab_source)
    settings = _host_settings(lab_source, drivers)
    findings = plan_misfits(plan) if plan is not None else []
    if plan is not None and lab is not None:
        driver = lab.host_of(plan.guest).hypervisor if plan.guest in lab.guests else ""
        features = drivers[driver].features if driver in drivers else frozenset({"topology", "quota", "pin"})
        findings += misfits(plan, lab, features)
    _report_all(plan_source, findings)
    return Checked(plan, lab, settings)


def _build(model: type[M], source: Source) -> M | None:
    built: M | None = build(model, source)
    return built


def _report_all(source: Source, findings: list[Finding]) -> None:
    for finding in findings:
        source.report(finding.message, finding.at)


def _host_settings(source: Source, drivers: Mapping[str, DriverFacts]) -> dict[str, Declared]:
    """The settings of each host, checked by its driver's model; also where the rest of the lab is wrong."""
    hosts = source.root.at(("hosts",)) if source.root is not None else None
    settings: dict[str, Declared] = {}
    for name in hosts.value if hosts is not None and isinstance(hosts.value, Mapping) else ():
        path = ("hosts", name)
        named = source.root.at((*path, "hypervisor")) if source.root is not None else None
        if named is None or not isinstance(named.value, str):
            continue
        if named.value not in drivers:
            source.report(
                f"{unknown('hypervisor driver', named.value, list(drivers))}; install its package, or name another",
                (*path, "hypervisor"),
            )
            continue
        given = source.root.at((*path, "with")) if source.root is not None else None
        checked = _settings(drivers[named.value].settings, source, (*path, "with"), given)
        if checked is not None:
            settings[name] = checked
    return settings


def _settings(
    model: type[Declared], source: Source, path: tuple[str | int, ...], given: Node | None
) -> Declared | None:
    if given is not None:
        built: Declared | None = build(model, source, path) if isinstance(given.value, Mapping) else None
        return built
    for name, info in model.model_fields.items():
        if info.is_required():
            source.report(f"is missing; this hypervisor driver needs the setting {info.alias or name} under with", path)
            return None
    return model.model_validate({})


def check_files(source: Source, folder: Path) -> None:
    """Whether the files of the workloads are there; also where the rest of the plan is wrong."""
    loads = source.root.at(("workloads",)) if source.root is not None else None
    for index, load_node in enumerate(loads.value if loads is not None and isinstance(loads.value, list) else ()):
        files = load_node.child("files")
        for position, file in enumerate(files.value if files is not None and isinstance(files.value, list) else ()):
            path = ("workloads", index, "files", position)
            if (
                isinstance(file.value, str)
                and (complaint := _file_complaint(folder, file.value))
                and not source.has_said(path)
            ):
                source.report(complaint, path)


def _file_complaint(folder: Path, name: str) -> str | None:
    path = folder / name
    try:
        if not path.is_file():
            return f"there is no file {shown(str(path), MOST_PATH)}; files are looked for beside the plan"
        if path.stat().st_size > MOST_FILE_BYTES:
            return f"{shown(name)} is larger than 64 MiB; let the guest fetch or make large data in prepare"
        with path.open("rb"):
            return None
    except (OSError, ValueError) as error:
        return f"{shown(name)} cannot be read ({getattr(error, 'strerror', None) or error}); check path and permissions"
