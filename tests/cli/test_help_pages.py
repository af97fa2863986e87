"""The page of each command: its parts, their order, its width, and examples that the parser takes."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from orchestrator.cli import cli, invoke
from orchestrator.cli.pages import HEADINGS, sections

PLANS = Path(__file__).parents[2]
#: Rows: a page is read at once, without much turning.
LONGEST, LONGEST_OF_ALL = 62, 80
#: What somebody types comes first, then what comes of it.
ORDER = (
    "Usage",
    "Operands",
    "Options",
    "Commands",
    "Examples",
    "Exit status",
    "Files and environment",
    "Related commands",
)


def commands(
    command: click.Command = cli, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    yield path, command
    if isinstance(command, click.Group):
        for name, below in command.commands.items():
            yield from commands(below, (*path, name))


EVERY = dict(commands())


@pytest.fixture(params=EVERY, ids=" ".join)
def path(request: pytest.FixtureRequest) -> tuple[str, ...]:
    found: tuple[str, ...] = request.param
    return found


def page(path: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> list[str]:
    capsys.readouterr()
    assert invoke([*path, "--help"]) == 0
    return capsys.readouterr().out.splitlines()


def examples(command: click.Command) -> list[str]:
    return [line.strip() for line in sections(command.help or "").get("Examples", ()) if line.strip()]


def test_a_page_fits_80_columns_and_is_not_long(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = page(path, capsys)
    assert max(map(len, text)) <= 80
    assert len(text) <= (LONGEST if path else LONGEST_OF_ALL)


def test_a_page_has_its_parts_in_one_order(path: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    headings = [match[1] for line in page(path, capsys) if (match := re.fullmatch(r"([A-Z][\w ]*):(?: .*)?", line))]
    known = [heading for heading in headings if heading in ORDER]
    assert known == sorted(known, key=ORDER.index)
    assert {"Usage", "Options", "Examples"} <= set(known)
    command = EVERY[path]
    operands = [param for param in command.params if isinstance(param, click.Argument)]
    assert ("Operands" in known) == bool(operands)
    if path and len(path) == 1:
        assert set(headings) <= set(ORDER), "no other headings"


def test_a_page_begins_with_one_sentence_and_its_list_entry_is_short(path: tuple[str, ...]) -> None:
    command = EVERY[path]
    first = sections(command.help or "")[""][0]
    assert first.endswith(".") or path == ()
    if path:
        assert command.short_help
        assert command.get_short_help_str(60) == command.short_help, "it is not cut"


def test_every_operand_of_the_usage_line_is_explained(
    path: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    text = page(path, capsys)
    usage = text[0].partition("[OPTIONS]")[2]
    named = set(re.findall(r"[A-Z][A-Z-]*(?:\.[a-z]+)?", re.sub(r"\{[^}]*\}|\[[a-z|]+\]|COMMAND \[ARGS\]", "", usage)))
    told = "\n".join(text[text.index("Operands:") :]) if named else ""
    for name in named:
        assert re.search(rf"^  {re.escape(name)}  ", told, re.MULTILINE), name


def parsed(arguments: list[str]) -> click.Context:
    """What the parser makes of a command line, down to the command that would be run; nothing is."""
    context = cli.make_context("trialbed", arguments)
    while isinstance(context.command, click.Group):
        name, command, rest = context.command.resolve_command(context, [*context._protected_args, *context.args])
        assert command is not None
        context = command.make_context(name, rest, parent=context)
    return context


def test_examples_are_taken_by_the_parser(path: tuple[str, ...]) -> None:
    found = examples(EVERY[path])
    assert found
    if path:
        assert any(f"trialbed {' '.join(path)}" in line for line in found)
    for line in found:
        words = shlex.split(line, comments=True)
        stages = " ".join(shlex.quote(word) if word not in {"|", ">"} else word for word in words).split(" | ")
        mine = [shlex.split(stage) for stage in stages if stage.startswith("trialbed ")]
        assert mine, line
        for _, *arguments in mine:
            end = arguments.index(">") if ">" in arguments else len(arguments)
            parsed(arguments[:end])


def test_plans_in_examples_come_with_the_project() -> None:
    named = {word for command in EVERY.values() for line in examples(command) for word in line.split()}
    plans = {word for word in named if word.startswith("plans/")}
    assert plans
    assert all((PLANS / plan).is_file() for plan in plans)


def test_related_commands_are_commands_and_their_own_pages_have_examples() -> None:
    for path, command in EVERY.items():
        for told in " ".join(sections(command.help or "").get("Related commands", ())).split(","):
            if told.strip():
                program, *words = told.split()
                assert program == "trialbed"
                assert tuple(words) in EVERY, (path, told)
                assert tuple(words) != path


def test_help_shows_the_page_that_the_option_shows(capsys: pytest.CaptureFixture[str]) -> None:
    for path in ((), ("run",), ("baseline", "set")):
        own = page(path, capsys)
        assert invoke(["help", *path]) == 0
        assert capsys.readouterr().out.splitlines() == own
    assert invoke(["help", "runs"]) == 2
    assert "there is no command runs; see: trialbed --help" in capsys.readouterr().err
    assert invoke(["help", "run", "now"]) == 2


def test_a_page_is_read_apart_into_its_sections() -> None:
    told = sections(
        "Do it.\n\n    Well.\n\n    Operands:\n      RUN  A run, or\n           more.\n\n    Examples:\n      it\n    "
    )
    assert told["Operands"][:2] == ["  RUN  A run, or", "       more."]
    assert [line for line in told["Examples"] if line] == ["  it"]
    assert set(told) - {""} <= set(HEADINGS)
