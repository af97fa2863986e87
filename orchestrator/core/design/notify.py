"""Who is told of a run: by which variable or file an address is found, and of what. Never the address itself."""

from __future__ import annotations

import re
from typing import Annotated, Any, Final, Literal, TypeAlias, get_args

from pydantic import BeforeValidator, Field, ModelWrapValidatorHandler, model_validator

from orchestrator.core.design.declared import Declared, Line, Text, refusal
from orchestrator.core.design.wording import listed, shown

Occasion: TypeAlias = Literal["finished", "failed", "needs-you"]
OCCASIONS: Final[tuple[Occasion, ...]] = get_args(Occasion)

_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,199}", re.ASCII)
_HOW = "write {environment: NAME} or {file: PATH}; the address itself stands in that variable or file, never in the lab"


def _not_an_address(value: object) -> object:
    """An address often holds a secret, so what looks like one is not repeated in the message."""
    if isinstance(value, str) and "://" in value:
        raise refusal(f"this is an address, and a lab holds no secrets; {_HOW}")
    return value


def _variable(value: object) -> object:
    if isinstance(_not_an_address(value), str) and not _VARIABLE.fullmatch(str(value)):
        raise refusal(f"{shown(value)} cannot name an environment variable; write for example TRIALBED_NEWS")
    return value


def _items(value: object) -> object:
    if not isinstance(value, list | tuple):
        raise refusal(f"write a list; of each: {_HOW}")
    return value


class Recipient(Declared):
    """Somebody who is told of a run."""

    environment: Annotated[Text, BeforeValidator(_variable)] | None = None
    """Environment variable that holds one address or several, one a line."""
    file: Annotated[Line, BeforeValidator(_not_an_address), Field(min_length=1)] | None = None
    """Path of a file that holds them, readable by its owner only."""
    when: Annotated[
        tuple[Annotated[Occasion, BeforeValidator(_not_an_address)], ...],
        BeforeValidator(_not_an_address),
        Field(min_length=1),
    ] = OCCASIONS
    """What is told."""

    @model_validator(mode="wrap")
    @classmethod
    def _is_a_mapping(cls, data: Any, build: ModelWrapValidatorHandler[Recipient]) -> Recipient:
        if isinstance(data, str) or (isinstance(data, dict) and any("://" in str(key) for key in data)):
            raise refusal(_HOW)
        return build(data)

    @model_validator(mode="after")
    def _one_place(self) -> Recipient:
        if (self.environment is None) == (self.file is None):
            raise refusal(f"found {'both' if self.file else 'neither'} of environment and file; {_HOW}")
        return self

    @property
    def place(self) -> str:
        """``environment variable TRIALBED_NEWS``, ``file ~/.config/trialbed/news``."""
        return f"environment variable {self.environment}" if self.environment else f"file {shown(self.file)[1:-1]}"

    @property
    def told(self) -> str:
        """``messages (finished, failed) go to the addresses in environment variable TRIALBED_NEWS``."""
        return f"messages ({listed(self.when)}) go to the addresses in {self.place}"


#: Everybody who is told.
Recipients = Annotated[tuple[Recipient, ...], BeforeValidator(_items)]
