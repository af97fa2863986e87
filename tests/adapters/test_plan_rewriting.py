"""A plan with other values: everything else stays as its author wrote it, or at least as it was meant."""

from __future__ import annotations

import pytest

from orchestrator.adapters.plan_file.rewriting import with_values
from orchestrator.adapters.plan_file.source import Source
from orchestrator.adapters.plan_file.yaml_source import parse
from orchestrator.errors import InputError

PLAN = """\
# The night before the timetable changes.
title: 'Old: or new?'
lab: ../labs/quay.yaml   # the ferry line's own
guest: "book\\"ings"  # see the change
design:
  blocks:
    at-least: 3
    until: decided  # or at the latest
    at-most: 12
  seed: 7
shapes: [{name: one, vcpus: 1}]
"""
VALUES: dict[tuple[str | int, ...], str | int] = {("lab",): "lab.yaml", ("guest",): "pier", ("design", "blocks"): 4}


def meant(content: bytes) -> object:
    source = Source("plan.yaml", content)
    parse(source, content.decode(), "plan")
    assert source.root is not None
    return source.root.plain


def test_comments_and_layout_stay() -> None:
    assert with_values(PLAN.encode(), VALUES).decode() == (
        PLAN.replace("../labs/quay.yaml", '"lab.yaml"')
        .replace('"book\\"ings"', '"pier"')
        .replace("at-least: 3\n    until: decided  # or at the latest\n    at-most: 12", "4")
    )


@pytest.mark.parametrize(
    "plan",
    [
        PLAN.replace("\n", "\r\n"),
        PLAN.replace("blocks:\n    at-least: 3\n    until: decided  # or at the latest\n    at-most: 12", "blocks: 5"),
        PLAN.replace("guest: ", "guest:\n  "),
        PLAN.replace('guest: "book\\"ings"', "guest: bookings\n  number one"),
        PLAN.replace('guest: "book\\"ings"', "guest: >-\n  bookings\n  one\n"),
        PLAN.replace("'Old: or new?'", "&name bookings-1").replace('"book\\"ings"', "*name"),
        '{"title": "a", "lab": "b", "guest": "c", "design": {"blocks": {"until": "decided"}}}',
        "{title: a, lab: b, guest: c d, design: {blocks: 5, seed: 7}}",
    ],
    ids=["CRLF", "a number", "own line", "two lines", "folded", "alias", "JSON", "braces"],
)
def test_whatever_it_is_written_like_the_values_are_those_and_no_others(plan: str) -> None:
    wanted = meant(plan.encode())
    assert isinstance(wanted, dict)
    wanted |= {"lab": "lab.yaml", "guest": "pier", "design": wanted["design"] | {"blocks": 4}}
    assert meant(with_values(plan.encode(), VALUES)) == wanted


@pytest.mark.parametrize("plan", [b"title: [", b"", b"\xff", b"lab: a\nguest: b\n", b"lab: a\nguest: b\ndesign: 5\n"])
def test_a_plan_that_cannot_be_read_is_told(plan: bytes) -> None:
    with pytest.raises(InputError, match=r"plan\.yaml of b\.zip"):
        with_values(plan, VALUES, name="plan.yaml of b.zip")
