"""Plan and lab together: read both, check each, check the one against the other, and say all that is wrong at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from orchestrator.adapters.plan_file.check import Checked, DriverFacts, check, check_files, check_lab
from orchestrator.adapters.plan_file.source import BROKEN, Source
from orchestrator.adapters.plan_file.text import MOST_PATH, UnreadableError, decode, read_bytes
from orchestrator.adapters.plan_file.yaml_source import parse
from orchestrator.core.design.declared import Declared
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.wording import shown
from orchestrator.errors import InputError

#: What the plans that come with the project call the lab of the sandbox, which is not there before it is made.
SANDBOX_LAB = "sandbox.yaml"


@dataclass(frozen=True)
class Loaded:
    """A plan and a lab that fit each other.

    Attributes:
        plan, lab: valid values.
        plan_bytes, lab_bytes: the files as given, byte for byte.
        plan_path, lab_path: where they were read.
        driver: name of the hypervisor driver of the guest's host.
        settings: the settings of that driver on that host, as its own model.
    """

    plan: Plan
    lab: Lab
    plan_bytes: bytes
    lab_bytes: bytes
    plan_path: Path
    lab_path: Path
    driver: str
    settings: Declared


def load(plan_path: Path, drivers: Mapping[str, DriverFacts], *, lab_path: Path | None = None) -> Loaded:
    """Read a plan and the lab it names.

    Args:
        plan_path: the plan's file.
        drivers: the known hypervisor drivers by name.
        lab_path: a lab to use instead of the plan's own.

    Raises:
        InputError: with every problem of both files, each with its position.
    """
    plan_source = Source(_named(plan_path))
    _read(plan_source, plan_path, "plan")
    _refuse_mix_up(plan_source, "plan")
    lab_file = lab_path or _lab_beside(plan_source, plan_path)
    lab_source = Source(_named(lab_file))
    if lab_file is not None:
        try:
            lab_source.content = read_bytes(lab_file, "lab")
            _parse(lab_source, "lab")
        except UnreadableError as error:
            _report_lab(plan_source, lab_source, error, named_by_plan=lab_path is None)
        _refuse_mix_up(lab_source, "lab")
    checked = check(plan_source, lab_source, drivers)
    check_files(plan_source, plan_path.parent)
    return _finish(checked, (plan_source, lab_source), (plan_path, lab_file or plan_path))


def load_lab(path: Path, drivers: Mapping[str, DriverFacts]) -> Lab:
    """Read a lab by itself.

    Raises:
        InputError: with every problem of the file.
    """
    source = Source(_named(path))
    _read(source, path, "lab")
    _refuse_mix_up(source, "lab")
    lab = check_lab(source, drivers)
    if source.problems or lab is None:
        raise InputError(source.problems)
    return lab


def load_texts(
    plan: bytes, lab: bytes, drivers: Mapping[str, DriverFacts], *, names: tuple[str, str] = ("plan.yaml", "lab.yaml")
) -> Loaded:
    """Read a plan and a lab from the bytes that a run kept; the files of workloads are not looked for.

    Args:
        plan: content of the plan.
        lab: content of the lab.
        drivers: the known hypervisor drivers by name.
        names: what messages call the two.

    Raises:
        InputError: as :func:`load`.
    """
    sources = Source(names[0], plan), Source(names[1], lab)
    for source, kind in zip(sources, ("plan", "lab"), strict=True):
        try:
            _parse(source, kind)
        except UnreadableError as error:
            source.report(str(error), place=error.place)
        _refuse_mix_up(source, kind)
    return _finish(check(*sources, drivers), sources, (Path(names[0]), Path(names[1])))


# ------------------------------------------------------------------------------------------------------- reading


def _named(path: Path | None) -> str:
    text = str(path)
    return text if text.isprintable() else shown(text, MOST_PATH)


def _read(source: Source, path: Path, kind: str) -> None:
    try:
        source.content = read_bytes(path, kind)
        _parse(source, kind)
    except UnreadableError as error:
        source.report(str(error), place=error.place)


def _parse(source: Source, kind: str) -> None:
    parse(source, decode(source.content, kind), kind)
    if source.root is not None and source.root.value is BROKEN:
        source.root = None
    elif source.root is not None and not isinstance(source.root.value, Mapping):
        keys = "title, lab, guest, shapes, workloads" if kind == "plan" else "hosts, guests"
        source.report(f"found {shown(source.root.plain)}; a {kind} is a mapping with the keys {keys}")
        source.root = None


def _refuse_mix_up(source: Source, kind: str) -> None:
    """A lab given as plan, or the other way round: one sentence instead of a list of unknown keys."""
    keys = set(source.root.value) if source.root is not None and isinstance(source.root.value, Mapping) else set()
    if kind == "plan" and {"hosts", "guests"} <= keys and "shapes" not in keys:
        source.report("this is a lab; name a plan, which names its lab by the key lab")
        source.root = None
    if kind == "lab" and {"shapes", "workloads"} <= keys and "hosts" not in keys:
        source.report("this is a plan; name a lab, with the keys hosts and guests")
        source.root = None


def _lab_beside(plan: Source, plan_path: Path) -> Path | None:
    node = plan.root.at(("lab",)) if plan.root is not None else None
    if node is None or not isinstance(node.value, str) or not node.value.strip():
        return None
    return plan_path.parent / node.value


def _report_lab(plan: Source, lab: Source, error: UnreadableError, *, named_by_plan: bool) -> None:
    """A lab that is not there is reported where the plan names it; one that is no text, in itself."""
    if lab.content or not named_by_plan:
        lab.report(str(error), place=error.place)
    elif Path(lab.name).name == SANDBOX_LAB and not Path(lab.name).exists():
        plan.report(
            f"lab {lab.name} is not there yet: `trialbed sandbox up` makes it; or name a lab of your own with --lab",
            ("lab",),
        )
    else:
        plan.report(f"lab {lab.name}: {error} (the path is taken relative to the plan)", ("lab",))


def _finish(checked: Checked, sources: tuple[Source, Source], paths: tuple[Path, Path]) -> Loaded:
    problems = [problem for source in sources for problem in source.problems]
    plan, lab = checked.plan, checked.lab
    if problems or plan is None or lab is None:
        raise InputError(problems)
    host = lab.guests[plan.guest].host
    return Loaded(
        plan, lab, sources[0].content, sources[1].content, *paths, lab.hosts[host].hypervisor, checked.settings[host]
    )
