"""Everything that can be wrong with a plan and a lab as values: each by itself, their drivers, and the two together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

from orchestrator.adapters.plan_file.explain import build
from orchestrator.adapters.plan_file.source import Node, Source
from orchestrator.adapters.plan_file.text import MOST_PATH
from orchestrator.core.design.beside import HostLogin
from orchestrator.core.design.declared import Declared, Finding
from orchestrator.core.design.fit import misfits, plan_misfits
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.neighbour import guests_of
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.shape import FEATURES
from orchestrator.core.design.tailored import Tailored
from orchestrator.core.design.wording import shown, unknown
from orchestrator.core.design.workload import MOST_FILE_BYTES
from orchestrator.units import format_size

M = TypeVar("M", bound=Declared)


@dataclass(frozen=True)
class DriverFacts:
    """What has to be known of a hypervisor driver to check a plan and a lab, without starting it.

    Attributes:
        settings: model of a host's ``with``; ``Declared`` itself for a driver that has no settings.
        features: which of a shape's optional features the driver can set.
        needs: what the lab has to give it: ``uri`` of the host, ``ssh`` of the guest.
        host_login: how its host is logged in to, for neighbours that run there.
    """

    settings: type[Declared] = Declared
    features: frozenset[str] = field(default_factory=frozenset)
    needs: frozenset[str] = field(default_factory=frozenset)
    host_login: HostLogin = "lab"

    def on_host(self, settings: object) -> DriverFacts:
        """The same for one host, whose settings may have a say in it."""
        if not isinstance(settings, Tailored):
            return self
        return replace(self, features=settings.shape_features, needs=self.needs | settings.lab_needs)


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
        facts = drivers.get(driver, DriverFacts(features=FEATURES, host_login="own"))
        host = lab.guests[plan.guest].host if plan.guest in lab.guests else ""
        findings += misfits(plan, lab, facts.on_host(settings.get(host)).features, facts.host_login)
    _report_all(plan_source, findings)
    if plan is not None and lab is not None:
        _report_all(lab_source, _unmet_needs(plan, lab, drivers, settings))
    return Checked(plan, lab, settings)


def check_lab(source: Source, drivers: Mapping[str, DriverFacts]) -> Lab | None:
    """Check a lab by itself; objections go into the source."""
    lab = _build(Lab, source)
    _host_settings(source, drivers)
    return lab


def _build(model: type[M], source: Source) -> M | None:
    built: M | None = build(model, source)
    return built


def _report_all(source: Source, findings: list[Finding]) -> None:
    for finding in findings:
        source.report(finding.message, finding.at)


def _unmet_needs(
    plan: Plan, lab: Lab, drivers: Mapping[str, DriverFacts], settings: Mapping[str, Declared]
) -> list[Finding]:
    """What the drivers of the plan's guests need of the lab and do not find there; paths are the lab's."""
    findings: dict[tuple[str, str, str], Finding] = {}
    for name in (plan.guest, *guests_of(plan.neighbours)):
        if name not in lab.guests:
            continue
        guest, host = lab.guests[name], lab.host_of(name)
        driver = host.hypervisor
        needs = drivers.get(driver, DriverFacts()).on_host(settings.get(guest.host)).needs
        if "uri" in needs and host.uri is None:
            at = ("hosts", guest.host, "uri")
            findings[at] = Finding(
                at,
                f"is missing; the hypervisor driver {driver} connects to an address, so write the hypervisor's, "
                "for example uri: qemu+ssh://bench@192.0.2.10/system",
            )
        if "host ssh" in needs and host.ssh is None:
            at = ("hosts", guest.host, "ssh")
            findings[at] = Finding(
                at,
                f"is missing; by its settings the hypervisor driver {driver} works on the host, so write how that is "
                "logged in to, for example ssh: {address: 192.0.2.20, user: bench}",
            )
        if "ssh" in needs and guest.ssh is None:
            at = ("guests", name, "ssh")
            findings[at] = Finding(
                at,
                f"is missing; the hypervisor driver {driver} brings no login of its own, so write how the guest is "
                "logged in to, for example ssh: {address: 192.0.2.21, user: bench}",
            )
    return list(findings.values())


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
            most = format_size(MOST_FILE_BYTES)
            return f"{shown(name)} is larger than {most}; let the guest fetch or make large data in prepare"
        with path.open("rb"):
            return None
    except (OSError, ValueError) as error:
        return f"{shown(name)} cannot be read ({getattr(error, 'strerror', None) or error}); check path and permissions"
