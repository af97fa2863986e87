"""The ground of the models: quantities, names, findings at their places, words for messages."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_samples import SHAPES, plan
from pydantic import ValidationError, model_validator
from pydantic_core import PydanticCustomError

from orchestrator.core.design.bookings import BookingsOptions
from orchestrator.core.design.declared import (
    DURATION,
    OWN_WORDS,
    PERCENT,
    SIZE,
    Declared,
    Finding,
    Quantity,
    refuse,
    repeated,
)
from orchestrator.core.design.fields import Slot
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.design.shape import Shape
from orchestrator.core.design.wording import listed, nearest, shown, unknown
from orchestrator.core.design.workload import Workload


def errors(model: type[Declared], value: object) -> dict[tuple[Any, ...], str]:
    """Place and message of each error of a value."""
    with pytest.raises(ValidationError) as caught:
        model.model_validate(value)
    return {line["loc"]: line["msg"] for line in caught.value.errors()}


# ------------------------------------------------------------------------------------------------------ quantities


@pytest.mark.parametrize(
    ("quantity", "text", "number"),
    [
        (DURATION, "90 s", 90.0),
        (DURATION, "1 h 30 min", 5400.0),
        (DURATION, "250ms", 0.25),
        (SIZE, "512 MiB", 512 * 2**20),
        (SIZE, "1.5GiB", 3 * 2**29),
        (PERCENT, "3 %", 0.03),
        (PERCENT, "150%", 1.5),
    ],
)
def test_quantities_are_read_with_their_units(quantity: Quantity, text: str, number: float) -> None:
    assert quantity.read(text) == pytest.approx(number, rel=1e-12)


@pytest.mark.parametrize("quantity", [DURATION, SIZE, PERCENT])
@pytest.mark.parametrize(
    "value", [5, 0.5, True, None, [], {}, "", "5", "5 apples", "nan %", "inf s", "-1 s", "9" * 190 + " %%", "9" * 5000]
)
def test_anything_else_is_refused_in_own_words(quantity: Quantity, value: object) -> None:
    with pytest.raises(PydanticCustomError) as caught:
        quantity.read(value)
    assert caught.value.type == OWN_WORDS


def test_a_quantity_is_never_infinite() -> None:
    assert math.isfinite(PERCENT.read("9" * 190 + "%"))
    with pytest.raises(PydanticCustomError, match="too long"):
        PERCENT.read("9" * 400 + "%")


@given(st.integers(1, 10**6))
def test_what_is_written_can_be_read(number: int) -> None:
    """Writing rounds to two units; reading it back gives the same text again."""
    for quantity, value in ((DURATION, float(number)), (SIZE, number * 2**20), (PERCENT, number / 1000)):
        text = quantity.write(value)
        if quantity is SIZE and "." in text:
            continue  # four digits of a size need not be a whole number of bytes
        assert quantity.write(quantity.read(text)) == text


# -------------------------------------------------------------------------------------------------------- findings


class Pair(Declared):
    """Two numbers that have to differ from 1, checked together."""

    first: int
    second: int

    @model_validator(mode="after")
    def _none_is_one(self) -> Pair:
        refuse([Finding((name,), f"{name} is one") for name in ("first", "second") if getattr(self, name) == 1])
        return self


class Pairs(Declared):
    """A list of pairs."""

    pairs: tuple[Pair, ...]


def test_every_finding_is_reported_at_its_own_place() -> None:
    found = errors(Pairs, {"pairs": [{"first": 0, "second": 1}, {"first": 1, "second": 1}]})
    assert set(found) == {("pairs", 0, "second"), ("pairs", 1, "first"), ("pairs", 1, "second")}
    assert found["pairs", 0, "second"] == "second is one"


def test_findings_about_names_are_not_hidden_by_other_errors() -> None:
    bad = plan().model_dump(by_alias=True) | {"shapes": [SHAPES[0], SHAPES[1] | {"name": "one", "vcpus": 0}]}
    found = errors(Plan, bad)
    assert {("shapes", 1, "vcpus"), ("shapes", 1, "name")} <= set(found)


def test_two_pairs_of_names_may_not_make_one_cell() -> None:
    shapes = [SHAPES[0] | {"name": name} for name in ("a", "a-b")]
    loads = [{"name": name, "use": "bookings", "threads": [1]} for name in ("b-c", "c")]
    with pytest.raises(ValidationError, match="a with b-c and a-b with c would both make cells called 'a-b-c'"):
        plan(shapes=shapes, workloads=loads)


def test_repeated_values_in_the_order_of_their_return() -> None:
    assert repeated([3, 1, 2, 1, 3, 1]) == [1, 3]
    assert repeated("abc") == []


# ---------------------------------------------------------------------------------------------------------- models


def test_values_cannot_be_changed() -> None:
    with pytest.raises(ValidationError):
        plan().shapes[0].vcpus = 7  # type: ignore[misc]


def test_a_shape_knows_its_size_and_what_it_asks_for() -> None:
    shape = Shape.model_validate(
        {
            "name": "x",
            "vcpus": 4,
            "memory": "2 GiB",
            "topology": {"sockets": 2, "cores": 2},
            "quota": "150 %",
            "pin": [0, 3],
        }
    )
    assert shape.size == (4, 2 * 2**30)
    assert shape.extras == {"topology", "quota", "pin"}
    assert shape.quota == 1.5
    assert plan().shapes[0].extras == frozenset()


def test_sizes_order_by_vcpus_first() -> None:
    small, large = (
        Shape.model_validate({"name": "x", "vcpus": v, "memory": m}) for v, m in ((1, "8 GiB"), (2, "1 GiB"))
    )
    assert small.size < large.size


def test_the_built_in_workload_checks_its_options() -> None:
    load = {"name": "b", "use": "bookings", "threads": [1]}
    assert Workload.model_validate(load | {"with": {"reads": "50 %"}}).with_ == {"reads": "50 %"}
    assert set(errors(Workload, load | {"with": {"reads": "50", "writes": 1}})) == {
        ("with", "reads"),
        ("with", "writes"),
    }
    assert BookingsOptions.model_validate({}).bookings == 60_000


def test_readers_of_built_in_and_own_workloads() -> None:
    built_in, own = plan().workloads
    assert built_in.reads_with.figure == "count"
    assert built_in.reads_with.json_ is not None
    assert own.reads_with.pattern == "(?P<value>[0-9]+)"


def test_guests_on_unknown_hosts_are_all_found() -> None:
    bad = {"hosts": {"a": {"hypervisor": "x"}}, "guests": {"g": {"host": "b"}, "h": {"host": "c"}, "i": {"host": "a"}}}
    assert set(errors(Lab, bad)) == {("guests", "g", "host"), ("guests", "h", "host")}


def test_models_are_built_from_models_as_well() -> None:
    whole = plan()
    again = Plan(**{name: getattr(whole, name) for name in ("title", "lab", "guest", "shapes", "workloads", "design")})
    assert again == whole


# ---------------------------------------------------------------------------------------------------------- fields


@pytest.mark.parametrize(
    ("path", "bounds"),
    [
        (("shapes", 0, "vcpus"), {"ge": 1, "le": 1024}),
        (("shapes", 3, "pin", 0), {"ge": 0, "le": 65535}),
        (("workloads", 0, "threads"), {"min_length": 1}),
        (("workloads", 0, "threads", 5), {"ge": 1, "le": 4096}),
        (("workloads", 0, "with", "bookings"), {"ge": 100, "le": 50_000_000}),
        (("measure", "steady", "until-within"), {"gt": 0, "lt": 1}),
        (("design", "except", 0, "threads"), {"ge": 1, "le": 4096}),
    ],
)
def test_bounds_are_found_at_a_path(path: tuple[str | int, ...], bounds: dict[str, int]) -> None:
    slot = Slot.of(Plan).at(path)
    assert slot is not None
    assert {kind: slot.bound(kind) for kind in ("ge", "gt", "le", "lt", "min_length")} == dict.fromkeys(
        ("ge", "gt", "le", "lt", "min_length")
    ) | bounds


def test_paths_that_lead_nowhere() -> None:
    for path in (("shape",), ("shapes", "one"), ("title", 0), ("guests", "g", "hosts")):
        assert Slot.of(Plan).at(path) is None
    assert Slot.of(Lab).at(("guests", "g", "limits", "memory")) is not None


def test_every_field_says_what_it_is_for() -> None:
    for model in (Plan, Lab):
        for slot in Slot.of(model).walk():
            assert all(field.description for field in slot.fields.values()), slot


# ----------------------------------------------------------------------------------------------------------- words


def test_values_are_shown_safely() -> None:
    assert [shown(v) for v in (None, True, 5, [], [1], {"a": 1})] == [
        "nothing",
        "true",
        "5",
        "an empty list",
        "a list of 1",
        "a mapping of 1 key",
    ]
    assert shown("\x1b[31m\n\u202e") == r"'\x1b[31m\n\u202e'"
    assert shown("x" * 100) == f"'{'x' * 60}'... (100 characters)"


@given(st.text() | st.lists(st.text()) | st.integers() | st.floats() | st.none())
def test_whatever_is_shown_is_one_printable_line(value: object) -> None:
    assert shown(value).isprintable()


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("vcpu", ["vcpus", "memory"], "vcpus"),
        ("warm_up", ["warm-up", "steady"], "warm-up"),
        ("VCPUS", ["vcpus"], "vcpus"),
        ("zebra", ["vcpus", "memory"], None),
        ("", ["vcpus"], None),
        ("x", [], None),
        ("v" * 10_000, ["vcpus"], None),
    ],
)
def test_the_nearest_known_word(word: str, known: list[str], meant: str | None) -> None:
    assert nearest(word, known) == meant


def test_lists_are_cut_and_say_so() -> None:
    assert listed(range(14)) == "0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11 and 2 more"
    assert listed(["a\nb", "c"]) == r"'a\nb', c"
    assert unknown("guest", "x", []) == "unknown guest 'x'; known: none"
