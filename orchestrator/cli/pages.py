"""The page that --help prints: the same headings in the same order for every command.

A command's docstring is its page. It begins with what the command does; then come sections, each under one of the
headings below on a line of its own. A section of terms has a term a line, two blanks, and what it means; further lines
are indented. Examples stand as they are typed. Options are told by the options themselves.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from inspect import cleandoc
from typing import Any

import click
from click.shell_completion import CompletionItem

from orchestrator.cli.output import plain_option

#: As POSIX has them for its utilities, where it has them.
_OPERANDS, _EXAMPLES, _STATUS, _SURROUNDINGS, _RELATED = HEADINGS = (
    "Operands",
    "Examples",
    "Exit status",
    "Files and environment",
    "Related commands",
)
_HEADING = re.compile(rf"({'|'.join(HEADINGS)}):")
_TERM = re.compile(r"  (\S.*?)  +(\S.*)")
#: Every command takes it; the program itself also reads it from the environment.
_PLAIN = plain_option()


class _Laid(click.Command):
    """A command whose help is laid out so, and which takes --plain."""

    def get_params(self, ctx: click.Context) -> list[click.Parameter]:
        """Its options and arguments, --plain the last but --help."""
        *own, last = super().get_params(ctx)
        return [*own, last] if any(one.name == _PLAIN.name for one in own) else [*own, _PLAIN, last]

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the page."""
        told = sections(self.help or "")
        self.format_usage(ctx, formatter)
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text("\n".join(told[""]).strip())
        _write_terms(told, _OPERANDS, formatter)
        self.format_options(ctx, formatter)
        if lines := told.get(_EXAMPLES):
            with formatter.section(_EXAMPLES):
                formatter.write("".join(f"{line}\n" for line in lines if line.strip()))
        _write_terms(told, _STATUS, formatter)
        _write_terms(told, _SURROUNDINGS, formatter)
        if lines := told.get(_RELATED):
            with formatter.section(_RELATED):
                formatter.write_text(" ".join(line.strip() for line in lines))


class Page(_Laid):
    """A command."""


class Pages(_Laid, click.Group):
    """A command with commands of its own.

    Args:
        parts: its commands under headings; where there are none, one heading for all of them.
    """

    command_class = Page

    def __init__(self, *args: Any, parts: Mapping[str, tuple[click.Command, ...]] | None = None, **named: Any) -> None:
        super().__init__(*args, **named)
        self._parts = {title: [command.name or "" for command in part] for title, part in (parts or {}).items()}
        for part in (parts or {}).values():
            for command in part:
                self.add_command(command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write which commands there are."""
        width = max(map(len, self.commands), default=0)
        for title, names in (self._parts or {"Commands": self.list_commands(ctx)}).items():
            with formatter.section(title):
                formatter.write_dl([(f"{name:<{width}}", self.commands[name].get_short_help_str(60)) for name in names])


def _under(context: click.Context, words: Iterable[str]) -> click.Context | None:
    """The context of a command of a command and so on; ``None`` where there is none."""
    for word in words:
        found = context.command.get_command(context, word) if isinstance(context.command, click.Group) else None
        if found is None:
            return None
        context = click.Context(found, context, word)
    return context


def _commands(context: click.Context, _: click.Parameter, typed: str) -> list[CompletionItem[str]]:
    """Commands of the command that is typed so far."""
    under = _under(context.find_root(), context.params.get("words") or ())
    return [] if under is None else under.command.shell_complete(under, typed or "")


@click.command("help", cls=Page, short_help="Show the page of a command.")
@click.argument("words", metavar="COMMAND...", nargs=-1, shell_complete=_commands)
def help_page(words: tuple[str, ...]) -> int:
    """Show the page of a command: the one that its --help prints.

    Operands:
      COMMAND  One of trialbed's, and one of its own where it has some.

    Examples:
      trialbed help run
      trialbed help baseline set
    """
    context = _under(click.get_current_context().find_root(), words)
    if context is None:
        raise click.UsageError(f"there is no command {' '.join(words)}; see: trialbed --help")
    click.echo(context.get_help())
    return 0


def sections(text: str) -> dict[str, list[str]]:
    """The lines of a page under each heading; what comes before the first one, under none."""
    told: dict[str, list[str]] = {"": []}
    under = ""
    for line in cleandoc(text).splitlines():
        if found := _HEADING.fullmatch(line):
            under = found[1]
            told[under] = []
        else:
            told[under].append(line)
    return told


def _write_terms(told: Mapping[str, list[str]], heading: str, formatter: click.HelpFormatter) -> None:
    if heading in told:
        with formatter.section(heading):
            formatter.write_dl(list(_terms(told[heading])))


def _terms(lines: list[str]) -> Iterator[tuple[str, str]]:
    """Terms and their meanings, of which each may take several lines."""
    term, meaning = "", ""
    for line in lines:
        if begins := _TERM.fullmatch(line):
            if term:
                yield term, meaning
            term, meaning = begins[1], begins[2]
        else:
            meaning = f"{meaning} {line.strip()}".strip()
    if term:
        yield term, meaning
