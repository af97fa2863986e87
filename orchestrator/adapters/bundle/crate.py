"""The RO-Crate metadata of a bundle: what each file is, as JSON-LD (RO-Crate 1.1, https://w3id.org/ro/crate/1.1)."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Set
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote, unquote

from orchestrator.adapters.bundle.layout import CRATE, PAYLOAD
from orchestrator.adapters.bundle.members import NotABundleError, quoted
from orchestrator.core.record.run import RunRecord
from orchestrator.units import Bytes

CONTEXT: Final = "https://w3id.org/ro/crate/1.1/context"
PROFILE: Final = "https://w3id.org/ro/crate/1.1"
DESCRIPTOR: Final = CRATE.removeprefix(PAYLOAD)

_SOFTWARE, _MEASURING, _GUEST = "#trialbed", "#measuring", "#guest"
_TRIALS = "run/trials/"
_TYPES = {
    ".gz": "application/gzip",
    ".json": "application/json",
    ".jsonl": "application/x-ndjson",
    ".parquet": "application/vnd.apache.parquet",
    ".txt": "text/plain",
    ".yaml": "application/yaml",
}
_NAMES = {
    "how-to-repeat.txt": "How to look at this run, check it and repeat it",
    "verdict.json": "What the run showed, for programs",
    "verdict.txt": "What the run showed, in words",
    "run/run.json": "The plan as resolved, every trial in its order, the seed, versions and digests of the inputs",
    "run/plan.yaml": "The plan as it was written",
    "run/lab.yaml": "The lab as it was written",
    "run/environment.json": "Fingerprint of host and guest",
    "run/journal.jsonl": "What happened in the run, an event a line",
    "run/SHA256SUMS": "SHA-256 digest of each file of the run",
}


def metadata(record: RunRecord, ended_utc: str, packed_by: str, sizes: Mapping[str, Bytes]) -> bytes:
    """The metadata file. A trial is described as a whole: a long run has thousands of files.

    Args:
        record: what the run was begun with.
        ended_utc: when the last thing happened in it.
        packed_by: name and version of this program.
        sizes: of each payload file, by path below ``data/``.
    """
    trials = {trial.id: trial for trial in record.trials}
    folders = sorted({path.removeprefix(_TRIALS).partition("/")[0] for path in sizes if path.startswith(_TRIALS)})
    files = [_file(path, sizes[path]) for path in sorted(sizes) if not path.startswith(_TRIALS)]
    measured = [
        {
            "@id": _id(f"{_TRIALS}{name}/"),
            "@type": "Dataset",
            "name": f"Trial {name}",
            "description": f"shape {trials[name].shape}, workload {trials[name].workload}, "
            f"{trials[name].threads} threads, block {trials[name].block}: trial.json is its summary, the Parquet files "
            "its series, workload.log.gz what the workload printed"
            if name in trials
            else "a trial",
        }
        for name in folders
    ]
    parts = [{"@id": entity["@id"]} for entity in (*files, *measured)]
    graph = [
        {"@id": DESCRIPTOR, "@type": "CreativeWork", "about": {"@id": "./"}, "conformsTo": {"@id": PROFILE}},
        _root(record, ended_utc, parts),
        *files,
        *measured,
        _measuring(record, ended_utc, measured),
        {"@id": _GUEST, "@type": "Thing", "name": record.guest, "description": record.guest_kind},
        _software(packed_by),
    ]
    return (json.dumps({"@context": CONTEXT, "@graph": graph}, indent=1, ensure_ascii=True) + "\n").encode()


def _root(record: RunRecord, ended_utc: str, parts: list[dict[str, str]]) -> dict[str, Any]:
    return {
        "@id": "./",
        "@type": "Dataset",
        "name": record.title,
        "identifier": record.id,
        "description": f"A run of trialbed on a {record.guest_kind}: throughput of shapes under load, trial by trial, "
        "with everything that is needed to repeat it.",
        "datePublished": ended_utc,
        "license": "Not stated. Ask whoever gave you this bundle what you may do with it.",
        "mentions": {"@id": _MEASURING},
        "hasPart": parts,
    }


def _file(path: str, size: Bytes) -> dict[str, Any]:
    kind = next((kind for end, kind in _TYPES.items() if path.endswith(end)), "application/octet-stream")
    workload = path.removeprefix("run/inputs/").partition("/")
    usual = f"File {workload[2]} of workload {workload[0]}" if workload[2] else path
    return {
        "@id": _id(path),
        "@type": "File",
        "name": _NAMES.get(path, usual if path.startswith("run/inputs/") else path),
        "contentSize": str(size),
        "encodingFormat": kind,
    }


def _measuring(record: RunRecord, ended_utc: str, measured: list[dict[str, str]]) -> dict[str, Any]:
    return {
        "@id": _MEASURING,
        "@type": "CreateAction",
        "name": record.title,
        "startTime": record.started_utc,
        "endTime": ended_utc,
        "instrument": {"@id": _SOFTWARE},
        "object": [{"@id": "run/run.json"}, {"@id": _GUEST}],
        "result": [{"@id": trial["@id"]} for trial in measured],
    }


def _software(packed_by: str) -> dict[str, str]:
    name, _, version = packed_by.partition(" ")
    return {"@id": _SOFTWARE, "@type": "SoftwareApplication", "name": name, "softwareVersion": version}


def _id(path: str) -> str:
    """A path as a relative URI reference (RFC 3986)."""
    return quote(path, safe="/!=@,+~")


def check(path: Path, payload: Set[str]) -> None:
    """Refuse metadata that is no crate's, or that speaks of files which are not there.

    Raises:
        NotABundleError: so it is.
    """
    entities = _entities(path)
    about = entities.get(DESCRIPTOR, {}).get("about")
    root = entities.get(str(about.get("@id"))) if isinstance(about, Mapping) else None
    if root is None or entities[DESCRIPTOR].get("conformsTo") != {"@id": PROFILE}:
        raise NotABundleError(f"has a {CRATE} that does not describe an RO-Crate of version 1.1")
    for name in _files_of(entities):
        if f"{PAYLOAD}{unquote(name)}" not in payload:
            raise NotABundleError(f"has a {CRATE} that speaks of {quoted(name)}, which is not there")


def _files_of(entities: Mapping[str, dict[str, Any]]) -> Iterator[str]:
    for name, entity in entities.items():
        kinds = entity.get("@type")
        if "File" in (kinds if isinstance(kinds, list) else [kinds]):
            yield name


def _entities(path: Path) -> dict[str, dict[str, Any]]:
    try:
        document = json.loads(path.read_bytes())
    except (ValueError, RecursionError) as error:
        raise NotABundleError(f"has a {CRATE} that is no JSON") from error
    graph = document.get("@graph") if isinstance(document, dict) else None
    if not isinstance(graph, list) or document.get("@context") != CONTEXT:
        raise NotABundleError(f"has a {CRATE} that is not JSON-LD in the context {CONTEXT}")
    if not all(isinstance(entity, dict) and isinstance(entity.get("@id"), str) for entity in graph):
        raise NotABundleError(f"has a {CRATE} with an entity that has no @id")
    return {entity["@id"]: entity for entity in graph}
