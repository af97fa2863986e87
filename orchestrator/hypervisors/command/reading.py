"""What a command printed, turned into figures; nothing that it prints makes anything else happen."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from typing import Any, Literal

from orchestrator.core.design.wording import listed, shown
from orchestrator.hypervisors.command.settings import Counters, Figure, SizeFigure, StateFigure, TimeFigure
from orchestrator.units import SIZE_UNITS, Bytes, Nanoseconds

State = Literal["running", "stopped", "paused", "crashed"]
STATES: tuple[State, ...] = ("running", "stopped", "paused", "crashed")

_NANOSECONDS = {"ns": 1, "us": 10**3, "ms": 10**6, "s": 10**9}
_NUMBER = re.compile(r"[0-9]{1,20}(\.[0-9]{1,20})?([eE][-+]?[0-9]{1,2})?", re.ASCII)


class UnreadableError(ValueError):
    """What was printed does not hold what a reader looks for; the message says which figure, and what was missing."""


class Output:
    """The text that a command printed.

    Args:
        text: all of it.
        domain: the guest's name on its hypervisor, for patterns that name it.
    """

    def __init__(self, text: str, domain: str) -> None:
        self._text, self._domain = text, domain
        self._document: Any = None

    def whole(self, name: str, figure: Figure) -> int:
        """A whole number; like all that follow, raises UnreadableError that names the figure."""
        with _about(name):
            return _whole(_number(self._find(figure)))

    def size(self, name: str, figure: SizeFigure) -> Bytes:
        """A size in bytes."""
        with _about(name):
            return _whole(_number(self._find(figure)) * SIZE_UNITS[figure.unit])

    def time(self, name: str, figure: TimeFigure) -> Nanoseconds:
        """A time in ns."""
        with _about(name):
            return int(_number(self._find(figure)) * _NANOSECONDS[figure.unit])

    def state(self, figure: StateFigure) -> State:
        """The power state."""
        with _about("state"):
            word = self._find(figure).strip()
            for state in STATES:
                if word in getattr(figure, state):
                    return state
            known = [word for state in STATES for word in getattr(figure, state)]
            raise UnreadableError(f"{shown(word)} is none of the states that the lab lists: {listed(known)}")

    def vcpus(self, reader: Counters) -> dict[int, dict[str, Nanoseconds]]:
        """Run and, where it is counted, wait of each vCPU in ns, by number: ``{0: {"run_ns": 5, "wait_ns": 7}}``."""
        found: dict[int, dict[str, Nanoseconds]] = {}
        factor = _NANOSECONDS[reader.unit]
        with _about("run and wait"):
            for fields in self._vcpu_lines(reader):
                number = _whole(_number(fields["vcpu"] or ""))
                if number in found:
                    raise UnreadableError(f"vCPU {number} is there twice")
                found[number] = {
                    f"{name}_ns": int(_number(text) * factor)
                    for name in ("run", "wait")
                    if (text := fields.get(name)) is not None
                }
            if not found:
                raise UnreadableError("no line of it tells of a vCPU")
        return found

    def _vcpu_lines(self, reader: Counters) -> Iterator[dict[str, str | None]]:
        """The texts of ``vcpu``, ``run`` and ``wait`` in each line that has the first two."""
        pattern = self._compiled(reader.pattern) if reader.pattern is not None else None
        for line in self._text.splitlines():
            if pattern is not None:
                if (match := pattern.search(line)) is not None:
                    yield match.groupdict()
            elif (names := reader.json_) is not None and isinstance(record := _json_line(line), dict):
                wanted = {"vcpu": names.vcpu, "run": names.run} | ({"wait": names.wait} if names.wait else {})
                fields = {name: _text(record.get(field)) for name, field in wanted.items()}
                if fields["vcpu"] is not None and fields["run"] is not None:
                    yield fields

    def _find(self, figure: Figure) -> str:
        if figure.pattern is not None:
            match = self._compiled(figure.pattern).search(self._text)
            if match is None or match["value"] is None:
                raise UnreadableError(f"nothing in it matches {shown(figure.pattern)}")
            return str(match["value"])
        return self._field(figure.json_ or "")

    def _compiled(self, pattern: str) -> re.Pattern[str]:
        return re.compile(pattern.replace("{domain}", re.escape(self._domain)), re.MULTILINE)

    def _field(self, path: str) -> str:
        if self._document is None:
            try:
                self._document = _parsed(self._text)
            except (ValueError, RecursionError) as error:
                raise UnreadableError(f"it is no JSON document ({error})") from error
        value = self._document
        for step in path.split("."):
            if isinstance(value, list) and step.isdecimal() and int(step) < len(value):
                value = value[int(step)]
            elif isinstance(value, dict) and step in value:
                value = value[step]
            else:
                there = (
                    f"there are {listed(value)}" if isinstance(value, dict) and value else f"there is {shown(value)}"
                )
                raise UnreadableError(f"it has no field {shown(path)}: where {shown(step)} is looked for, {there}")
        text = _text(value)
        if text is None:
            raise UnreadableError(f"its field {shown(path)} holds {shown(value)}")
        return text


@contextmanager
def _about(name: str) -> Iterator[None]:
    try:
        yield
    except UnreadableError as error:
        raise UnreadableError(f"{name}: {error}") from error


def _parsed(text: str) -> Any:
    """A JSON document whose numbers are the texts they were written as, so that none is rounded."""
    return json.loads(text, parse_int=str, parse_float=str, parse_constant=str)


def _json_line(line: str) -> Any:
    try:
        return _parsed(line)
    except (ValueError, RecursionError):
        return None  # programs print banners


def _text(value: object) -> str | None:
    """A JSON value as text; ``None`` for null, lists and mappings."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value if isinstance(value, str) else None


def _number(text: str) -> Fraction:
    """A number that is not negative, and not of a size that costs time to handle."""
    if not _NUMBER.fullmatch(text.strip()):
        raise UnreadableError(f"{shown(text)} is not a number from 0 on")
    return Fraction(text.strip())


def _whole(number: Fraction) -> int:
    if number.denominator != 1:
        raise UnreadableError(f"{float(number):g} is not a whole number")
    return number.numerator
