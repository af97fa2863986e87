"""What a report can be written as, and which of it is meant."""

from __future__ import annotations

from pathlib import Path
from typing import Literal, TypeAlias, get_args

from orchestrator.errors import InputError, Problem

Format: TypeAlias = Literal["html", "pdf", "png", "svg", "md", "csv", "xlsx"]
#: Each is the suffix of its files as well.
FORMATS: tuple[Format, ...] = get_args(Format)
#: What holds one picture and not the report.
PICTURES: frozenset[Format] = frozenset({"png", "svg"})
#: What a terminal would not show as text.
BINARY: frozenset[Format] = frozenset({"pdf", "png", "xlsx"})


def format_of(output: Path | None, wished: Format | None) -> Format:
    """What is to be written: as wished, else as the file's suffix says, else a page.

    Args:
        output: the file; ``None`` where none is named.
        wished: the format that was asked for.

    Raises:
        InputError: the suffix is of none, or of another one.
    """
    suffix = "" if output is None else output.suffix.lower().removeprefix(".")
    named = next((known for known in FORMATS if known == suffix), None)
    if wished is None and named is None and output is not None:
        message = (
            f"its name ends in none of {', '.join(f'.{known}' for known in FORMATS)}; "
            f"name it {output.stem}.html, or say with --format what it is to be"
        )
        raise InputError([Problem(str(output), "", message)])
    if wished is not None and named is not None and named != wished:
        message = f"is named as {named} and --format asks for {wished}; name it {output and output.stem}.{wished}"
        raise InputError([Problem(str(output), "", f"{message}, or leave --format out")])
    return wished or named or "html"
