"""When a run begins, where a plan says so."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import BeforeValidator, WithJsonSchema

from orchestrator.core.design.declared import Declared, refusal
from orchestrator.core.design.wording import shown

#: Hours and minutes of a day, and seconds where somebody wants them.
TIME_OF_DAY = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])(?::([0-5][0-9]))?")


def _time_of_day(value: object) -> str:
    if not isinstance(value, str) or TIME_OF_DAY.fullmatch(value) is None:
        raise refusal(f'found {shown(value)}; write a time of day from "00:00" to "23:59", in quotes, such as "19:00"')
    return value


#: A local time of day: ``19:00``.
TimeOfDay = Annotated[
    str,
    BeforeValidator(_time_of_day),
    WithJsonSchema(
        {"type": "string", "pattern": r"^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$", "examples": ["19:00"]}
    ),
]


class Start(Declared):
    """When a run begins."""

    at: TimeOfDay
    """Local time of day, the next that comes; the run waits for it."""
