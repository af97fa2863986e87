"""What a shell may complete: the verb that prints its script, and what is offered for runs, trials, plans and others.

A shell waits for the answer between two keys, so nothing is read but names and the first lines of small files; and
whatever goes wrong, nothing is said and nothing offered.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import wraps
from itertools import islice
from pathlib import Path
from typing import TypeAlias

import click
from click.shell_completion import CompletionItem, get_completion_class

from orchestrator.cli.pages import Page

Items: TypeAlias = "list[CompletionItem[str]]"
Completer: TypeAlias = Callable[[click.Context, click.Parameter, str], Items]

#: The variable by which click's script asks this program.
VARIABLE = "_TRIALBED_COMPLETE"
_WHERE = {
    "bash": """\
# Completion of trialbed for bash 4.4 and later, with the package bash-completion. Put it here, for every new shell:
#   trialbed completion bash > ~/.local/share/bash-completion/completions/trialbed
# or load it in one shell: source <(trialbed completion bash)
""",
    "zsh": """\
# Completion of trialbed for zsh. Put it into a folder of fpath, under the name _trialbed, for every new shell:
#   mkdir -p ~/.zfunc && trialbed completion zsh > ~/.zfunc/_trialbed
# with these lines in ~/.zshrc: fpath+=~/.zfunc; autoload -Uz compinit && compinit
""",
    "fish": """\
# Completion of trialbed for fish. Put it here, for every new shell:
#   trialbed completion fish > ~/.config/fish/completions/trialbed.fish
""",
}
#: A file of another kind may be long; the keys that tell a plan or a lab stand in the first lines.
_LOOKED_AT_BYTES, _MOST_FILES, _TITLE = 65536, 200, 60
#: Folders below the one that is typed: plans/labs lies two deep.
_DEPTH = 2
_PLAN, _LAB = re.compile(rb"(?m)^(?:shapes|templates)\s*:"), re.compile(rb"(?m)^hosts\s*:")
_TYPED_AS_IT_IS = re.compile(r"[\w./~+@-]+")


@click.command("completion", cls=Page, short_help="Print the script that completes commands in a shell.")
@click.argument("shell", type=click.Choice(list(_WHERE)))
def completion(shell: str) -> int:
    """Print the script that lets a shell complete trialbed's commands.

    Its first lines say where it belongs. It completes commands, options and their values, runs with their titles where
    the shell shows them, trials, cells, baselines, plans, labs and bundles. Whenever the key is pressed the script asks
    trialbed itself, which reads names and writes nothing.

    Operands:
      SHELL  One of bash, zsh, fish.

    Examples:
      trialbed completion bash > ~/.local/share/bash-completion/completions/trialbed
      trialbed completion fish > ~/.config/fish/completions/trialbed.fish

    Files and environment:
      TRIALBED_STORE  The store whose runs are offered, where --store is not given.
    """
    kind = get_completion_class(shell)
    if kind is None:
        raise click.UsageError(f"this version of click knows no completion for {shell}")
    script = kind(click.get_current_context().find_root().command, {}, "trialbed", VARIABLE).source()
    # zsh knows what a file completes by its first line.
    first, rest = script.split("\n", 1) if shell == "zsh" else ("", script)
    click.echo(f"{first}\n{_WHERE[shell]}{rest}" if first else f"{_WHERE[shell]}{rest}", nl=False)
    return 0


def _silent(completer: Completer) -> Completer:
    """Nothing is offered where something goes wrong."""

    @wraps(completer)
    def offered(context: click.Context, parameter: click.Parameter, typed: str) -> Items:
        with suppress(Exception):
            return completer(context, parameter, typed)
        return []

    return offered


def _store(context: click.Context) -> Path:
    return Path(str(context.params.get("store") or "results")).expanduser()


@_silent
def runs(context: click.Context, _: click.Parameter, typed: str) -> Items:
    """Runs of the store, the youngest first, and ``last``; a path is left to the shell."""
    from orchestrator.adapters.report.plain import safe
    from orchestrator.adapters.store import names

    if "/" in typed:
        return [CompletionItem(typed, type="dir")]
    store = _store(context)
    found = [name for name in names.run_names(store) if name.startswith(typed)]
    titles = names.run_titles(store, found)
    youngest = [CompletionItem("last", help="the youngest run")] if found and "last".startswith(typed) else []
    return youngest + [CompletionItem(name, help=safe(titles.get(name, ""), _TITLE) or None) for name in found]


@_silent
def baselines(context: click.Context, _: click.Parameter, typed: str) -> Items:
    """Baselines of the store."""
    from orchestrator.adapters.store import names

    found = (name for name in names.baseline_names(_store(context)) if name.startswith(typed))
    return [CompletionItem(name, help="a baseline") for name in found]


@_silent
def baselines_and_runs(context: click.Context, parameter: click.Parameter, typed: str) -> Items:
    """Whatever a run can be compared with."""
    return baselines(context, parameter, typed) + runs(context, parameter, typed)


@_silent
def trials(context: click.Context, _: click.Parameter, typed: str) -> Items:
    """Trials of the run that was typed before."""
    from orchestrator.adapters.store import names

    found = names.trial_names(_store(context), str(context.params.get("run_id") or ""))
    return [CompletionItem(name) for name in found if name.startswith(typed)]


@_silent
def cells(context: click.Context, _: click.Parameter, typed: str) -> Items:
    """Cells of the youngest run."""
    from orchestrator.adapters.store import names

    return [CompletionItem(name) for name in names.cell_names(_store(context), "last") if name.startswith(typed)]


@_silent
def plans(_: click.Context, __: click.Parameter, typed: str) -> Items:
    """Plans here and in folders below; where there is none, the shell looks for any file."""
    return _files(typed, {".yaml", ".yml"}, _PLAN)


@_silent
def labs(_: click.Context, __: click.Parameter, typed: str) -> Items:
    """Labs, likewise."""
    return _files(typed, {".yaml", ".yml"}, _LAB)


@_silent
def bundles(_: click.Context, __: click.Parameter, typed: str) -> Items:
    """Archives, likewise."""
    return _files(typed, {".zip"})


@_silent
def tables(_: click.Context, __: click.Parameter, typed: str) -> Items:
    """Tables and logs, likewise."""
    return _files(typed, {".csv"})


def _files(typed: str, suffixes: set[str], holding: re.Pattern[bytes] | None = None) -> Items:
    """Files that begin as typed, or lie in a folder that does.

    Args:
        typed: the beginning of a path.
        suffixes: of the files that are meant.
        holding: what one of them holds in its first part.
    """
    place = typed[: typed.rfind("/") + 1]
    folder = Path(place).expanduser()
    there = islice(_beneath(folder, typed[len(place) :], suffixes), _MOST_FILES)
    meant = (path for path in there if holding is None or holding.search(_beginning(path)))
    found = (f"{place}{path.relative_to(folder).as_posix()}" for path in meant)
    offered = [CompletionItem(name) for name in found if _TYPED_AS_IT_IS.fullmatch(name)]
    return offered or [CompletionItem(typed, type="file")]


def _beneath(folder: Path, start: str, suffixes: set[str], depth: int = _DEPTH) -> Iterator[Path]:
    """Files of these kinds in a folder and below, of entries that begin so; but what is hidden or in a run."""
    with suppress(OSError):
        for path in sorted(folder.iterdir()):
            if not path.name.startswith(start) or (path.name.startswith(".") and not start):
                continue
            if path.is_dir():
                if depth and not (path / "run.json").exists():
                    yield from _beneath(path, "", suffixes, depth - 1)
            elif path.suffix in suffixes:
                yield path


def _beginning(path: Path) -> bytes:
    with suppress(OSError), path.open("rb") as file:
        return file.read(_LOOKED_AT_BYTES)
    return b""
