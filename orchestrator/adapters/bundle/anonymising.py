"""A run's folder copied with other names: whoever gets it can check it and repeat it, and cannot tell whose it was.

What a guest runs is never changed, since it would not be the same load any more: a name in there is refused.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, get_args

from orchestrator.adapters.bundle.layout import RECORD
from orchestrator.adapters.bundle.names import Names, add_accounts, add_lab, add_machine, places, texts_in
from orchestrator.adapters.bundle.writing import for_others
from orchestrator.core.design.fields import Slot
from orchestrator.core.design.lab import Lab
from orchestrator.core.design.plan import Plan
from orchestrator.core.record.journal import EventName
from orchestrator.core.record.run import RunRecord
from orchestrator.errors import InputError, Problem, StoreError

#: What is run or sent, and must stay what it is.
_LOAD: Final = ("workloads", "neighbours")
#: Of a neighbour, whose name and guest are no part of what runs.
_NOT_RUN = re.compile(r"neighbours\[\d+\]\.(name|guest)|workloads\[\d+\]\.name")
#: Places that are named; a binary file may hold a name in every line.
_SHOWN = 20
_KEPT_AS_GIVEN = ("plan.yaml", "lab.yaml")


@dataclass(frozen=True)
class Known:
    """What is known of a run besides its files.

    Attributes:
        lab: as its ``lab.yaml`` says; ``None`` where it has none.
        packers: machine and user who may be named in it, beside those of the lab.
        public: SHA-256 digests of files that everybody has, such as the built-in workloads: they name nobody.
        columns: gives the names of the columns of a Parquet file; no column holds text.
    """

    lab: Lab | None
    packers: Sequence[tuple[str, str]]
    public: Collection[str]
    columns: Callable[[Path], Sequence[str]]


@dataclass(frozen=True)
class Anonymised:
    """A copy of a run with other names.

    Attributes:
        folder: of the copy.
        names: what was replaced, and what was kept.
    """

    folder: Path
    names: Names


def anonymised(folder: Path, into: Path, known: Known) -> Anonymised:
    """Copy the files of a run that are for others, with other names.

    Args:
        folder: of the run.
        into: an empty folder for the copy.
        known: what else is known of it.

    Raises:
        InputError: what the guest runs holds a name, with every place.
        StoreError: a file cannot be read.
    """
    files = for_others(folder)
    record = RunRecord.model_validate_json(_read(folder / RECORD))
    names = _names(folder, files, record, known)
    problems = [*_named_commands(record, names), *_named_files(folder, files, names, known.public)]
    _refuse_named([*problems, *_named_columns(folder, files, names, known.columns)])
    copy = into / names.replaced(record.id)
    digests: dict[str, str] = {}
    for name in sorted(files, key=lambda name: (name.endswith((".json", ".jsonl")), name)):  # they name others' digests
        content = _content(folder / name, name, names, digests)
        digests[name] = hashlib.sha256(content).hexdigest()
        target = copy / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
    return Anonymised(copy, names)


def _names(folder: Path, files: Sequence[str], record: RunRecord, known: Known) -> Names:
    vocabulary = _vocabulary(record)

    def is_word(name: str) -> bool:
        return re.search(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", vocabulary, re.IGNORECASE) is not None

    names = Names(is_word)
    if known.lab is not None:
        add_lab(names, known.lab)
    names.add("guest", record.guest, "guest-{}")
    for machine, user in known.packers:
        add_machine(names, machine, user)
    events = _values(folder / "journal.jsonl") if "journal.jsonl" in files else []
    add_accounts(names, (text for event in events if _tells_of_people(event) for text in texts_in(event)))
    return names


def _tells_of_people(event: Mapping[str, object]) -> bool:
    """Whether an event may name whoever holds a lease, as ``user@machine``."""
    return str(event.get("event", "")).startswith(("lease", "notice"))


def _vocabulary(record: RunRecord) -> str:
    """Words that the files have anyway: keys of plans and labs, events, fields of records, what a plan calls things."""
    keys = {key for model in (Plan, Lab) for slot in Slot.of(model).walk() for key in slot.fields}
    fields = {key for key, _ in _keys(record.model_dump(mode="json"))}
    own = {str(item["name"]) for kind in ("shapes", "workloads") for item in record.plan[kind]}
    cells = {trial.id for trial in record.trials}
    return "\n".join(sorted({record.hypervisor, record.guest_kind, *own, *cells, *keys, *fields, *get_args(EventName)}))


def _keys(value: object) -> Iterable[tuple[str, object]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield str(key), inner
            yield from _keys(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _keys(inner)


def _named_commands(record: RunRecord, names: Names) -> Iterator[Problem]:
    for part in _LOAD:
        for place, text in places(record.plan.get(part, []), part):
            if not _NOT_RUN.fullmatch(place) and (name := names.changed_in(text)) is not None:
                yield _problem("plan.yaml", place, name)


def _named_files(folder: Path, files: Iterable[str], names: Names, public: Collection[str]) -> Iterator[Problem]:
    for file in (file for file in files if file.startswith("inputs/")):
        if (name := names.named_in(file)) is not None:
            yield _problem(file, "", name)
        content = _read(folder / file)
        if hashlib.sha256(content).hexdigest() in public:
            continue
        for number, line in enumerate(content.decode("utf-8", "surrogateescape").split("\n"), start=1):
            if (name := names.named_in(line)) is not None:
                yield _problem(f"{file}:{number}", "", name)


def _named_columns(
    folder: Path, files: Iterable[str], names: Names, columns: Callable[[Path], Sequence[str]]
) -> Iterator[Problem]:
    """Counters have the names that the machines which were read give them."""
    for file in (file for file in files if file.endswith(".parquet")):
        if (name := names.named_in("\n".join(columns(folder / file)))) is not None:
            yield _problem(file, "columns", name)


def _refuse_named(problems: list[Problem]) -> None:
    if len(problems) > _SHOWN:
        more = Problem("--anonymise", "", f"{len(problems) - _SHOWN} further places hold names as well")
        problems = [*problems[:_SHOWN], more]
    if problems:
        raise InputError(problems)


def _problem(where: str, place: str, name: str) -> Problem:
    message = (
        f"holds {name!r}, which is to be replaced; what a guest runs is not changed, so take the name out of it "
        "and run the plan again, or pack the run without --anonymise"
    )
    return Problem(where, place, message)


def _content(path: Path, name: str, names: Names, digests: Mapping[str, str]) -> bytes:
    """One file with other names, and with the digests of those that were changed before it."""
    content = _read(path)
    if name.endswith((".json", ".jsonl")):
        return _record(path, name, names, digests)
    if name in _KEPT_AS_GIVEN:
        return _in_text(content, names)
    if name.endswith(".gz") and name.startswith("trials/"):
        return _in_log(path, content, names)
    return content


def _record(path: Path, name: str, names: Names, digests: Mapping[str, str]) -> bytes:
    if name.startswith("inputs/"):
        return _read(path)
    if name == "journal.jsonl":
        changed = _changed(path.parent, digests)
        events = (_event(names.in_value(event), changed) for event in _values(path))
        lines = [json.dumps(event, ensure_ascii=False, separators=(",", ":")) for event in events]
        return "".join(f"{line}\n" for line in lines).encode("utf-8", "surrogatepass")
    value = names.in_value(json.loads(_read(path)))
    if name == RECORD:
        given = value["inputs_sha256"]
        given |= {file: digests[file] for file in _KEPT_AS_GIVEN if file in given and file in digests}
    elif name.startswith("trials/"):
        beside = name.removesuffix("trial.json")
        value["files"] = {file: digests.get(f"{beside}{file}", digest) for file, digest in value["files"].items()}
    return (json.dumps(value, indent=2, ensure_ascii=False) + "\n").encode("utf-8", "surrogatepass")


def _changed(folder: Path, digests: Mapping[str, str]) -> dict[str, str]:
    """Old digest to new one, of plan and lab."""
    return {
        hashlib.sha256(_read(folder / file)).hexdigest(): digests[file] for file in _KEPT_AS_GIVEN if file in digests
    }


def _event(event: Any, changed: Mapping[str, str]) -> Any:
    """An event that accepted other inputs names their digests."""
    accepted = event.get("detail", {}).get("inputs_sha256")
    if isinstance(accepted, dict):
        event["detail"]["inputs_sha256"] = {name: changed.get(digest, digest) for name, digest in accepted.items()}
    return event


def _in_text(content: bytes, names: Names) -> bytes:
    return names.replaced(content.decode("utf-8", "surrogateescape")).encode("utf-8", "surrogateescape")


def _in_log(path: Path, content: bytes, names: Names) -> bytes:
    try:
        text = gzip.decompress(content)
    except (OSError, EOFError, zlib.error) as error:
        raise StoreError(f"{path} is damaged and cannot be searched for names; restore it from a copy") from error
    renamed = _in_text(text, names)
    return content if renamed == text else gzip.compress(renamed, mtime=0)


def _values(path: Path) -> list[Any]:
    return [json.loads(line) for line in _read(path).splitlines() if line.strip()]


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise StoreError(f"cannot read {path}: {error.strerror}") from error
