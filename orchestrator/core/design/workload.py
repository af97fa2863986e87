"""A load to put on the guest, and how to read what it prints."""

from __future__ import annotations

import re
import warnings
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from orchestrator.core.design.bookings import BookingsOptions
from orchestrator.core.design.declared import (
    Declared,
    DescribedBy,
    Duration,
    FileBeside,
    Finding,
    Name,
    Text,
    Whole,
    refusal,
    refuse,
    repeats,
    with_program,
)
from orchestrator.core.design.wording import printable, shown
from orchestrator.units import Bytes

#: Of one file: it is held in memory, kept with every run and sent before every trial.
MOST_FILE_BYTES: Bytes = 64 * 2**20


class JsonFields(Declared):
    """Names of the fields in a line that is one JSON object."""

    value: Annotated[Text, Field(min_length=1)]
    """Field that holds the figure."""
    time: Annotated[Text, Field(min_length=1)] | None = None
    """Field that holds the guest's own clock in seconds, where the line carries it."""


class Reader(Declared):
    """How throughput is read from a line of the workload's output.

    A line that does not match is not an error: programs print banners. A workload none of whose lines match is.
    """

    pattern: Annotated[Text, Field(max_length=1000)] | None = None
    """Regular expression with a group ``value`` and, where the line carries the guest's clock, a group ``time`` (s)."""
    json_: Annotated[JsonFields | None, Field(alias="json")] = None
    """Fields of a line that is one JSON object."""
    figure: Literal["rate", "count"] = "rate"
    """``rate``: operations per period since the last line; ``count``: operations since the start."""
    per: Literal["second", "minute", "hour"] = "second"
    """The period of a rate; a count has none."""

    @property
    def tells_time(self) -> bool:
        """Whether lines carry the guest's own clock."""
        if self.json_ is not None:
            return self.json_.time is not None
        return "time" in re.compile(self.pattern or "").groupindex

    @field_validator("pattern")
    @classmethod
    def _pattern_compiles(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                groups = re.compile(pattern).groupindex
        except (re.error, OverflowError, RecursionError) as error:
            raise refusal(f"{shown(pattern)} is not a regular expression: {printable(str(error))}") from error
        if "value" not in groups:
            raise refusal(f"{shown(pattern)} has no group named value; write for example '(?P<value>[0-9.]+) ops/s'")
        return pattern

    @model_validator(mode="after")
    def _one_way_of_reading(self) -> Reader:
        if (self.pattern is None) == (self.json_ is None):
            raise refusal(
                f"a reader has either pattern or json, not {'both' if self.pattern else 'neither'}; write one of them"
            )
        if self.figure == "count" and "per" in self.model_fields_set:
            refuse([Finding(("per",), "a count has no period; leave per out, or set figure: rate")])
        return self


#: What the built-in workloads print: one JSON object a second, cumulative count, the guest's monotonic clock.
BUILT_IN_READER = Reader.model_validate({"json": {"value": "operations", "time": "monotonic_s"}, "figure": "count"})


class Workload(Declared):
    """A built-in load (``use``) or a command of the user's, with the thread counts to try."""

    name: Name
    """Names the workload in cells, tables and filters."""
    threads: Annotated[tuple[Annotated[Whole, Field(ge=1, le=4096)], ...], Field(min_length=1)]
    """Thread counts to try, each once."""
    use: Literal["bookings"] | None = None
    """Name of a built-in workload."""
    with_: Annotated[dict[str, Any], DescribedBy(BookingsOptions)] = Field(default_factory=dict, alias="with")
    """Options of the built-in workload."""
    prepare: Annotated[tuple[Text, ...], Field(min_length=1)] | None = None
    """Argument vector run to its end before the load of every trial starts."""
    command: Annotated[tuple[Text, ...], Field(min_length=1)] | None = None
    """Argument vector; ``{threads}`` and ``{vcpus}`` are replaced in each argument. Never passed through a shell."""
    files: tuple[FileBeside, ...] = ()
    """Files beside the plan that the command needs; sent to the workload's folder in the guest."""
    reader: Reader | None = None
    """How the command's output is read."""
    quiet_after: Annotated[Duration, Field(ge=1, le=86400)] = 15.0
    """A workload that prints nothing for so long counts as hung."""

    @field_validator("threads")
    @classmethod
    def _threads_differ(cls, threads: tuple[int, ...]) -> tuple[int, ...]:
        refuse(
            [
                Finding((i,), f"thread count {count} is listed twice; repetition comes from design: blocks")
                for count, i in repeats(threads)
            ]
        )
        return threads

    @field_validator("files")
    @classmethod
    def _files_differ(cls, files: tuple[str, ...]) -> tuple[str, ...]:
        refuse([Finding((i,), f"{shown(file)} is listed twice; name each file once") for file, i in repeats(files)])
        return files

    @field_validator("prepare", "command")
    @classmethod
    def _program_is_named(cls, argv: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return with_program(argv)

    @field_validator("with_")
    @classmethod
    def _options_fit(cls, options: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        if info.data.get("use") == "bookings":
            BookingsOptions.model_validate(options, by_alias=True, by_name=False)
        return options

    @model_validator(mode="after")
    def _built_in_or_own(self) -> Workload:
        if (self.use is None) == (self.command is None):
            raise refusal(
                f"a workload has either use or command, not {'both' if self.use else 'neither'}; write one of them"
            )
        if self.command is not None and self.reader is None:
            raise refusal(
                "a command needs a reader that says how its output is read; "
                "write for example reader: {pattern: '(?P<value>[0-9.]+) ops/s'}"
            )
        if self.use is not None:
            foreign = [key for key in ("prepare", "files", "reader") if getattr(self, key)]
            refuse(
                [
                    Finding(
                        (key,),
                        f"{key} belongs to a command; the built-in {self.use} brings its own, so leave {key} out",
                    )
                    for key in foreign
                ]
            )
        elif self.with_:
            refuse(
                [
                    Finding(
                        ("with",),
                        "with holds options of a built-in workload; put those of a command into its arguments",
                    )
                ]
            )
        return self

    @property
    def reads_with(self) -> Reader:
        """The reader in force."""
        return self.reader if self.reader is not None else BUILT_IN_READER
