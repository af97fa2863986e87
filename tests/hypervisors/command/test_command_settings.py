"""What a lab writes for the driver ``command``: every mistake is found before a run, at its place in the file."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from command_lab import commands
from hypothesis import given
from hypothesis import strategies as st
from plan_texts import check_manners

import orchestrator.hypervisors.command as package
from orchestrator.adapters.plan_file import DriverFacts, load_texts
from orchestrator.core.design.shape import Shape
from orchestrator.errors import InputError, Problem
from orchestrator.hypervisors.command.driver import CommandDriver
from orchestrator.hypervisors.command.placeholders import fill, findings, values_of
from orchestrator.hypervisors.command.settings import CommandSettings

EXAMPLE = (Path(package.__file__).parent / "example" / "lab.yaml").read_text()
DRIVERS = {"command": DriverFacts(CommandSettings, CommandDriver.features, CommandDriver.needs, "lab")}
PLAN = """\
title: How many vCPUs does the bookings database need?
lab: lab.yaml
guest: bookings-1
shapes: [{name: one, vcpus: 1, memory: 512 MiB}, {name: two, vcpus: 2, memory: 512 MiB}]
workloads: [{name: bookings, use: bookings, threads: [1, 2]}]
design: {blocks: 3}
measure: {every: 1 s}
decide: {margin: 3 %}
"""


def problems(lab: str, plan: str = PLAN) -> list[Problem]:
    with pytest.raises(InputError) as caught:
        load_texts(plan.encode(), lab.encode(), DRIVERS)
    check_manners(caught.value.problems)
    return caught.value.problems


def test_the_example_is_a_lab_and_its_features_are_what_reshape_has_arguments_for() -> None:
    loaded = load_texts(PLAN.encode(), EXAMPLE.encode(), DRIVERS)
    settings = CommandSettings.model_validate(loaded.lab.host_of("bookings-1").with_)
    assert settings.shape_features == {"topology", "pin", "live"}


def test_the_documentation_shows_the_example_as_it_is() -> None:
    reference = (Path(package.__file__).parents[1] / "README.md").read_text()
    assert f"```yaml\n{EXAMPLE}```\n" in reference
    for command in CommandSettings.model_fields.values():
        assert f"`{command.alias}`" in reference or f"`{command.alias}:" in reference, command.alias


START = 'start: [python3, qemu_guest.py, start, "{domain}"]'
RESHAPE = '--memory-mib, "{memory-mib}"]'
CASES = [
    (START, 'start: [qemu, "{domian}"]', "start[1]", "unknown placeholder 'domian'; did you mean 'domain'?"),
    (START, 'start: [qemu, "{vcpus}"]', "start[1]", "{vcpus} has no value here; it belongs to a shape"),
    (START, 'start: ["", "{domain}"]', "start[0]", "the program's name is empty"),
    (START, "start: []", "start", "is empty; at least 1 is needed"),
    (START, "start: qemu", "start", "write a list such as ['qemu']"),
    (START, "start: [awk, '{print}']", "start[1]", "braces of its own belongs into a script"),
    (START, "", "start", "is missing"),
    (RESHAPE, '--memory-mib, "{memory-mb}"]', "reshape.command[7]", "did you mean 'memory-mib'?"),
    (RESHAPE, '--pin, "{pin}"]', "reshape.command[7]", "not every shape sets pin; put it under reshape: pin"),
    (RESHAPE, '--q, "{quota-percent}"]', "reshape.command[7]", "put it under reshape: quota"),
    ('pin: [--pin, "{pin}"]', 'pin: [--pin, "{cores}"]', "reshape.pin[1]", "put it under reshape: topology"),
    ("live: [--live]", "", "plug", "is never run unless reshape has arguments for live"),
    ('plug: [python3, qemu_guest.py, plug, "{domain}"]', "", "reshape.live", "needs the command plug as well"),
    ("vcpus: {json: vcpus}", "vcpus: {}", "describe.vcpus", "either json or pattern, not neither"),
    ("vcpus: {json: vcpus}", "vcpus: {json: a, pattern: '(?P<value>x)'}", "describe.vcpus", "not both"),
    ("vcpus: {json: vcpus}", "vcpus: {pattern: 'x'}", "describe.vcpus.pattern", "has no group named value"),
    ("vcpus: {json: vcpus}", "vcpus: {pattern: '('}", "describe.vcpus.pattern", "not a regular expression"),
    ("memory: {json: memory-mib, unit: MiB}", "memory: {json: m}", "describe.memory.unit", "is missing"),
    ("unit: MiB", "unit: MB", "describe.memory.unit", "did you mean 'MiB'?"),
    (r"(?P<wait>\d+)$'", r"(?P<wiat>\d+)$'", None, ""),
    (r"run (?P<run>\d+)", r"run (\d+)", "counters.pattern", "has no group named run"),
    ("        unit: ns\n", "", "counters.unit", "is missing"),
    ("folder: guests", "foldr: guests", "foldr", "did you mean 'folder'?"),
    ("limit: 30 s", "limit: 30", "limit", "has no unit"),
    ("limit: 30 s", "limit: 2 h", "limit", "above 0 s and up to 1 h"),
    ("run-on: controller", "run-on: hosts", "run-on", "did you mean 'host'?"),
]


@pytest.mark.parametrize(("old", "new", "field", "words"), CASES, ids=[f"{c[2]}-{i}" for i, c in enumerate(CASES)])
def test_a_mistake_is_found_at_its_place(old: str, new: str, field: str | None, words: str) -> None:
    assert EXAMPLE.count(old) == 1, old
    lab = EXAMPLE.replace(old, new)
    if field is None:  # a misspelt optional group is no mistake that can be seen: wait is unavailable then
        settings = CommandSettings.model_validate(yaml.safe_load(lab)["hosts"]["quay"]["with"])
        assert not settings.counters.has_wait
        return
    found = problems(lab)
    (hit,) = [p for p in found if p.field == f"hosts.quay.with.{field}"]
    assert words in hit.message, hit
    where = hit.where.rsplit(":", 2)
    line = lab.splitlines()[int(where[1]) - 1]
    key = field.split(".")[-1].split("[")[0]
    assert key in line or "is missing" in hit.message or field.startswith("reshape.command"), (hit, line)


def test_a_word_for_two_states_is_found() -> None:
    lab = EXAMPLE.replace("state: {json: state, running: [running]", "state: {json: state, running: [running, paused]")
    (hit,) = problems(lab)
    assert hit.field == "hosts.quay.with.describe.state.paused[0]"
    assert hit.message == "'paused' means running already; keep it in one list"


@pytest.mark.parametrize(("asks", "ok"), [("pin: [0]", True), ("quota: 50 %", False), ("shares: 50", False)])
def test_a_plan_is_checked_against_what_the_labs_commands_can_do(asks: str, ok: bool) -> None:
    plan = PLAN.replace("{name: two, vcpus: 2,", f"{{name: two, {asks}, vcpus: 2,")
    if ok:
        assert load_texts(plan.encode(), EXAMPLE.encode(), DRIVERS).plan.shapes[1].pin == (0,)
        return
    (hit,) = problems(EXAMPLE, plan)
    feature = asks.split(":", maxsplit=1)[0]
    assert hit.field == f"shapes[1].{feature}"
    assert f"cannot set {feature}; besides vcpus and memory it sets live, pin, topology" in hit.message


def test_commands_that_run_on_the_host_need_its_login() -> None:
    (hit,) = problems(EXAMPLE.replace("run-on: controller", "run-on: host"))
    assert hit.field == "hosts.quay.ssh"
    assert "is missing; by its settings the hypervisor driver command works on the host" in hit.message


# -------------------------------------------------------------------------------------------------- placeholders

NAMES = st.sampled_from(["domain", "vcpus", "pin"])
PIECES = st.one_of(st.text(max_size=20), NAMES.map(lambda name: f"{{{name}}}"))
TEXTS = st.lists(PIECES, max_size=6).map("".join)


@given(st.lists(TEXTS, max_size=5), st.dictionaries(NAMES, TEXTS))
def test_arguments_stay_arguments_and_values_are_not_looked_at_again(argv: list[str], values: dict[str, str]) -> None:
    """One argument stays one, whatever is in it; a value that holds a placeholder, a blank or a quote is just text."""
    if findings(argv, list(values)):
        return
    filled = fill(argv, values)
    assert len(filled) == len(argv)
    for before, after in zip(argv, filled, strict=True):
        expected, rest = "", before
        while (found := _first(rest, values)) is not None:
            at, name = found
            expected, rest = expected + rest[:at] + values[name], rest[at + len(name) + 2 :]
        assert after == expected + rest


def _first(text: str, values: dict[str, str]) -> tuple[int, str] | None:
    """The placeholder that comes first, by plain search."""
    return min(((at, name) for name in values if (at := text.find(f"{{{name}}}")) >= 0), default=None)


def test_what_a_shape_stands_for() -> None:
    shape = Shape.model_validate(
        {
            "name": "s",
            "vcpus": 8,
            "memory": "1.5 GiB",
            "topology": {"sockets": 2, "cores": 2, "threads": 2},
            "quota": "12.5 %",
            "shares": 50,
            "pin": [3, 1],
        }
    )
    assert values_of(shape) == {
        "vcpus": "8",
        "memory-mib": "1536",
        "memory-bytes": "1610612736",
        "sockets": "2",
        "cores": "2",
        "threads": "2",
        "quota-percent": "12.5",
        "shares": "50",
        "pin": "3,1",
    }
    odd = shape.model_copy(update={"memory": 2**50 + 2**19})
    assert values_of(odd)["memory-mib"] == "1073741824.5"


def test_the_fakes_lab_is_one_that_a_file_could_hold(tmp_path: Path) -> None:
    CommandSettings.model_validate(commands(tmp_path), by_alias=True, by_name=False)
