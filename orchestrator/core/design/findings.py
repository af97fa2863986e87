"""What a validator objects to, each objection at its own place.

A check that concerns several fields or items collects a :class:`Finding` for each and hands them to :func:`refuse`, so
that whoever reads the message is led to the item itself.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

#: The type of the errors that this package words itself; their message is fit to be shown as it stands.
OWN_WORDS = "declared"

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Finding:
    """One thing wrong with a declared value.

    Attributes:
        at: path of the offending field by its keys as written, such as ``("shapes", 1, "name")``.
        message: what was found, what is allowed, what to do.
    """

    at: tuple[str | int, ...]
    message: str


def refusal(message: str) -> PydanticCustomError:
    """The error that a validator raises about the very value it was given."""
    return PydanticCustomError(OWN_WORDS, "{reason}", {"reason": message})


def refuse(findings: Sequence[Finding]) -> None:
    """Raise one ``ValidationError`` with every finding at its own place; nothing when there is none."""
    if findings:
        raise ValidationError.from_exception_data("declared", [_detail(finding) for finding in findings])


def build_checked(data: object, build: Callable[[Any], Model], findings: Sequence[Finding]) -> Model:
    """Build a model and report the findings about its raw data beside whatever else is wrong with it.

    Raises:
        ValidationError: with both kinds of errors, so that neither hides the other.
    """
    try:
        model = build(data)
    except ValidationError as error:
        details = [_again(line) for line in error.errors(include_url=False)] + [
            _detail(finding) for finding in findings
        ]
        raise ValidationError.from_exception_data(error.title, details) from error
    refuse(findings)
    return model


def _detail(finding: Finding) -> InitErrorDetails:
    return InitErrorDetails(type=refusal(finding.message), loc=finding.at, input=None)


def _again(line: Any) -> InitErrorDetails:
    own = line["type"] == OWN_WORDS
    return InitErrorDetails(
        type=refusal(line["msg"]) if own else line["type"],
        loc=line["loc"],
        input=line["input"],
        ctx=line.get("ctx", {}),
    )
