"""A table of readings taken by hand, as CSV, to evidence.

Columns, in any order: ``shape``, ``vcpus``, ``threads``, ``throughput``; and where there are any ``workload``,
``memory``, ``block``, ``run``, ``wait``, ``idle``. ``throughput`` is in operations per second unless the caller says
per minute or hour. ``run``, ``wait`` and ``idle`` are percents of one vCPU's wall time, averaged over the guest's
vCPUs, with or without a percent sign; leave unknown ones empty. Without blocks, repeated readings of a cell count as
independent of each other. A table that is imported may give, instead of a figure, a ``log``: the path of a log of
throughput.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from orchestrator.adapters.readings.text import Problems, is_number, lines_of
from orchestrator.core.design.wording import SHOWN, nearest, shown
from orchestrator.core.verdict.cells import Observation, Shares
from orchestrator.core.verdict.evidence import UNBLOCKED, Evidence
from orchestrator.engine.import_readings import Taken
from orchestrator.units import PERIODS, format_size, parse_size

T = TypeVar("T")

REQUIRED = ("shape", "vcpus", "threads", "throughput")
OPTIONAL = ("workload", "memory", "block", "run", "wait", "idle")
#: Stands for a figure where logs are allowed.
LOG = "log"
#: What the load is called when the table does not name it.
UNNAMED = "load"

_DELIMITERS = ",;\t"
#: Rounding may carry a full vCPU a little beyond 100 %.
_MOST_PERCENT = 101.0
#: Beyond these, in operations per second, a figure is a slip, and squares of it are beyond floating point.
_LEAST_PER_S, _MOST_PER_S = 1e-15, 1e15
_EMPTY = frozenset({"", "-"})
_LONGEST_PATH = 1000


@dataclass(frozen=True)
class _Layout:
    """How the lines of a table are to be read; ``logs`` says that a log may stand for a figure."""

    header: tuple[str, ...]
    delimiter: str
    per: str
    logs: bool


@dataclass(frozen=True)
class _Row:
    """One line as far as it could be read; ``None`` where a field is empty, or wrong and noted as a problem."""

    line: int
    shape: str | None
    vcpus: int | None
    memory: int | None
    workload: str | None
    threads: int | None
    block: int | None
    throughput_per_s: float | None
    log: str | None
    shares: Shares
    has_block: bool
    """Whether its field ``block`` is filled in, rightly or wrongly."""

    @property
    def cell(self) -> tuple[str, str, int] | None:
        """What tells its cell from every other; ``None`` when that could not be read."""
        if self.shape is None or self.workload is None or self.threads is None:
            return None
        return self.shape, self.workload, self.threads


def read_table(name: str, data: bytes, *, per: str = "second") -> Evidence:
    """Read a table of readings.

    Args:
        name: what to call the file in messages.
        data: its content.
        per: period of the column ``throughput``: ``second``, ``minute`` or ``hour``.

    Raises:
        InputError: with every problem of the file, each with line and column.
    """
    found, remarks = _read(name, data, per, logs=False)
    return Evidence(tuple(_observations(found)), remarks=(*remarks, *_unblocked(found)))


def read_readings(name: str, data: bytes, *, per: str = "second") -> tuple[tuple[Taken, ...], tuple[str, ...]]:
    """Read a table of readings that are to be kept, in the order of its lines, and what is to be said of it.

    Args:
        name: what to call the file in messages.
        data: its content.
        per: period of the column ``throughput``.

    Raises:
        InputError: with every problem of the file, each with line and column.
    """
    found, remarks = _read(name, data, per, logs=True)
    memory = {row.shape: row.memory for row in found if row.memory is not None}
    taken = []
    for row in found:
        if row.cell is not None and row.vcpus is not None:
            shape, workload, threads = row.cell
            size = row.vcpus, memory.get(shape)
            taken.append(
                Taken(row.line, shape, *size, workload, threads, row.block, row.throughput_per_s, row.log, row.shares)
            )
    return tuple(taken), tuple(remarks)


def _read(name: str, data: bytes, per: str, *, logs: bool) -> tuple[list[_Row], list[str]]:
    """The rows of a table, all without a problem, and remarks on it."""
    problems = Problems(name)
    lines = [(number, line) for number, line in enumerate(lines_of(name, data), start=1) if _counts(line)]
    if not lines:
        problems.add("holds comments only; there is nothing to read")
    problems.raise_if_any()
    (head_line, head), *body = lines
    delimiter = max(_DELIMITERS, key=head.count)
    header = tuple(field.strip().casefold() for field in _split(problems, head_line, head, delimiter) or ())
    remarks = _check_header(problems, head_line, header, logs=logs)
    problems.raise_if_any()
    if not body:
        problems.add("holds a header and no reading", line=head_line)
    layout = _Layout(header, delimiter, per, logs)
    found = [row for line, text in body if (row := _row(problems, line, text, layout)) is not None]
    _check_sizes(problems, found)
    _check_blocks(problems, found)
    _check_logs(problems, found)
    problems.raise_if_any()
    return found, remarks


def _counts(line: str) -> bool:
    """Blank lines, comments and rows of empty fields (as spreadsheets leave them behind) are no readings."""
    return bool(line.strip(f"{_DELIMITERS} ")) and not line.lstrip().startswith("#")


def _split(problems: Problems, line: int, text: str, delimiter: str) -> list[str] | None:
    """The fields of one line; each line stands alone, so that a stray quote cannot swallow the rest of the file."""
    try:
        return next(csv.reader([text], delimiter=delimiter, strict=True, skipinitialspace=True))
    except csv.Error:
        problems.add("has a quotation mark that is not closed on the same line", line=line)
        return None


def _check_header(problems: Problems, line: int, header: Sequence[str], *, logs: bool) -> list[str]:
    """Note missing and repeated columns; return remarks on columns that are not used."""
    required = tuple(column for column in REQUIRED if not (logs and column == "throughput" and LOG in header))
    optional = (*OPTIONAL, LOG) if logs else OPTIONAL
    known = dict.fromkeys((*REQUIRED, *optional))
    strange = [column for column in header if column not in known]
    for column in dict.fromkeys(column for column in header if column in known and header.count(column) > 1):
        problems.add("the column occurs twice", line=line, column=column)
    absent = [column for column in known if column not in header]
    remarks = []
    for column in strange:
        meant = nearest(column, absent) if column else None
        if meant is not None:
            problems.add(f"unknown column; did you mean {meant}?", line=line, column=shown(column))
        elif column:
            remarks.append(f"Column {shown(column)} of the table is not used.")
    suspects = {nearest(column, absent) for column in strange if column}
    figure = f"{REQUIRED[-1]} or {LOG}" if logs else REQUIRED[-1]
    if LOG in suspects:
        suspects.add(REQUIRED[-1])  # which it stands for
    for column in required:
        if column in absent and column not in suspects:
            problems.add(
                f"the column is missing; a table has {', '.join((*REQUIRED[:-1], figure))}, "
                f"and where known {', '.join(OPTIONAL)}",
                line=line,
                column=column,
            )
    return remarks


def _row(problems: Problems, line: int, text: str, table: _Layout) -> _Row | None:
    """One line, after noting everything that is wrong with it; ``None`` when its fields cannot be told apart."""
    given = _split(problems, line, text, table.delimiter)
    if given is None:
        return None
    if any(field.strip() for field in given[len(table.header) :]):
        hint = "; a number has no separator of thousands" if table.delimiter == "," else ""
        problems.add(f"has {len(given)} fields where the header names {len(table.header)}{hint}", line=line)
        return None
    values = dict(zip(table.header, (field.strip() for field in given), strict=False))

    def take(column: str, parse: Callable[[str], T]) -> T | None:
        field = values.get(column, "")
        if field in _EMPTY and column not in REQUIRED:
            return None
        try:
            return parse(field)
        except ValueError as error:
            problems.add(str(error), line=line, column=column)
            return None

    either = table.logs and LOG in table.header
    figure, log = (values.get(column, "") not in _EMPTY for column in ("throughput", LOG))
    if either and figure == log:
        state = "both filled in" if log else "both empty"
        problems.add(f"are {state}; give one of them", line=line, column=f"throughput and {LOG}")
    return _Row(
        line=line,
        shape=take("shape", _name),
        vcpus=take("vcpus", partial(_whole, most=1024)),
        memory=take("memory", parse_size),
        workload=take("workload", _name) if values.get("workload", "-") not in _EMPTY else UNNAMED,
        threads=take("threads", partial(_whole, most=4096)),
        block=take("block", partial(_whole, most=1_000_000)),
        throughput_per_s=take("throughput", partial(_throughput, period_s=PERIODS[table.per]))
        if figure or not either
        else None,
        log=take(LOG, _path) if either else None,
        shares=Shares(run=take("run", _share), wait=take("wait", _share), idle=take("idle", _share)),
        has_block=values.get("block", "-") not in _EMPTY,
    )


def _name(text: str) -> str:
    if not text:
        raise ValueError("is empty; give a name")
    if len(text) > SHOWN or not text.isprintable():
        raise ValueError(f"{shown(text)} is not a name: up to {SHOWN} printable characters are allowed")
    return text


def _path(text: str) -> str:
    if len(text) > _LONGEST_PATH or not text.isprintable():
        raise ValueError(f"{shown(text)} is not the path of a log")
    return text


def _whole(text: str, *, most: int) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) <= 9 and 1 <= int(text) <= most):
        raise ValueError(f"{shown(text)} is not a whole number from 1 to {most}")
    return int(text)


def _decimal(text: str) -> float:
    """A number that is there, finite and not negative."""
    if not is_number(text):
        comma = "; write a decimal point and no separator of thousands" if "," in text else ""
        raise ValueError(f"{shown(text)} is not a number{comma}" if text else "is empty; a number is needed")
    value = float(text)
    if not math.isfinite(value) or value < 0:
        raise ValueError(
            f"{shown(text)} is {'negative' if value < 0 else 'too large'}; a finite number from 0 on is allowed"
        )
    return value


def _throughput(text: str, *, period_s: float) -> float:
    """Operations per second. None at all is no throughput to compare: a ratio to it has no meaning."""
    number = _decimal(text)
    if number == 0:
        raise ValueError(f"{shown(text)} is no throughput; leave the reading out where nothing was done")
    per_second = number / period_s
    if not _LEAST_PER_S <= per_second <= _MOST_PER_S:
        size = "small" if per_second < 1 else "large"
        raise ValueError(f"{shown(text)} is too {size} for a throughput; look at the column and at --per")
    return per_second


def _share(text: str) -> float:
    percent = _decimal(text.removesuffix("%").rstrip())
    if percent > _MOST_PERCENT:
        raise ValueError(f"{shown(text)} is more than 100 %; give the average over the guest's vCPUs, not their sum")
    return percent / 100


def _check_sizes(problems: Problems, rows: Sequence[_Row]) -> None:
    """A shape has one size; its memory may be given once for all its rows."""
    vcpus: dict[str, _Row] = {}
    memory: dict[str, _Row] = {}
    for row in rows:
        if row.shape is None:
            continue
        shape = f"for shape {shown(row.shape)}, which has"
        if row.vcpus is not None and (first := vcpus.setdefault(row.shape, row)).vcpus != row.vcpus:
            problems.add(f"{row.vcpus} {shape} {first.vcpus} on line {first.line}", line=row.line, column="vcpus")
        if row.memory is not None and (first := memory.setdefault(row.shape, row)).memory != row.memory:
            message = f"{format_size(row.memory)} {shape} {format_size(first.memory or 0)} on line {first.line}"
            problems.add(message, line=row.line, column="memory")


def _check_blocks(problems: Problems, rows: Sequence[_Row]) -> None:
    """Either every reading has a block or none; and a block holds a cell once."""
    blocked = any(row.has_block for row in rows)
    first: dict[tuple[tuple[str, str, int], int], int] = {}
    for row in rows:
        if blocked and not row.has_block:
            problems.add("is empty, although other readings have a block", line=row.line, column="block")
        if row.block is None:
            continue
        if row.cell is not None and (line := first.setdefault((row.cell, row.block), row.line)) != row.line:
            what = f"shape {shown(row.cell[0])} with threads {row.cell[2]} was read in block {row.block} on line {line}"
            problems.add(f"{what} already; give each repetition its own block", line=row.line, column="block")


def _check_logs(problems: Problems, rows: Sequence[_Row]) -> None:
    """A log is one reading: the same for two of them would be a slip of whoever copied the line."""
    first: dict[str, int] = {}
    for row in rows:
        if row.log is not None and (line := first.setdefault(row.log, row.line)) != row.line:
            problems.add(f"{shown(row.log)} is the log of line {line} already", line=row.line, column=LOG)


def _observations(rows: Sequence[_Row]) -> Iterator[Observation]:
    """Rows without a problem as observations; each gets the memory that any row of its shape states."""
    memory = {row.shape: row.memory for row in rows if row.memory is not None}
    for row in rows:
        if row.cell is None or row.vcpus is None or row.throughput_per_s is None:
            continue
        shape, workload, threads = row.cell
        yield Observation(
            shape, row.vcpus, memory.get(shape), workload, threads, row.block, row.throughput_per_s, row.shares
        )


def _unblocked(rows: Sequence[_Row]) -> list[str]:
    if len({row.cell for row in rows}) == len(rows) or any(row.block is not None for row in rows):
        return []
    return [UNBLOCKED]
