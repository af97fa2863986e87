"""The metadata of a bundle read by other people's libraries, rocrate and pyld (extra ``reference``), offline."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from bundle_parts import RUN, packed_run

jsonld = pytest.importorskip("pyld.jsonld", reason="extra 'reference' is not installed")
rocrate = pytest.importorskip("rocrate.rocrate", reason="extra 'reference' is not installed")

#: The context itself has a key of that kind.
pytestmark = pytest.mark.filterwarnings("ignore:terms beginning with:SyntaxWarning")

CONTEXT = Path(__file__).parents[1] / "data" / "rocrate" / "ro-crate-1.1-context.jsonld"
SCHEMA = "http://schema.org/"


@pytest.fixture(scope="module")
def crate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The payload of a bundle, which is the crate."""
    folder = tmp_path_factory.mktemp("crate")
    with zipfile.ZipFile(packed_run(folder)) as archive:
        archive.extractall(folder)
    return folder / RUN / "data"


def offline(url: str, _options: Any) -> dict[str, Any]:
    """Answers for the context and for nothing else, as :mod:`pyld` asks."""
    assert url == "https://w3id.org/ro/crate/1.1/context"
    document = json.loads(CONTEXT.read_bytes())
    return {"contentType": "application/ld+json", "contextUrl": None, "documentUrl": url, "document": document}


def test_every_term_is_one_of_the_context(crate: Path) -> None:
    """JSON-LD 1.1, expansion: a key that the context does not have is dropped, and would be missed here."""
    document = json.loads((crate / "ro-crate-metadata.json").read_bytes())
    expanded = jsonld.expand(document, {"documentLoader": offline, "base": "https://bundle.example/"})
    by_id = {entity["@id"]: entity for entity in expanded}
    assert len(expanded) == len(document["@graph"])
    for entity in document["@graph"]:
        found = by_id.get(entity["@id"]) or by_id["https://bundle.example/" + entity["@id"].removeprefix("./")]
        assert len(found) == len(entity), (entity, found)
    root = by_id["https://bundle.example/"]
    assert root["@type"] == [f"{SCHEMA}Dataset"]
    assert {f"{SCHEMA}{key}" for key in ("name", "description", "datePublished", "license", "hasPart")} <= set(root)


def test_it_can_be_written_as_statements(crate: Path) -> None:
    """RDF 1.1: what it says of one file, as N-Quads."""
    document = json.loads((crate / "ro-crate-metadata.json").read_bytes())
    told = jsonld.normalize(
        document,
        {"documentLoader": offline, "base": "https://bundle.example/", "format": "application/n-quads"},
    )
    size = (crate / "run" / "plan.yaml").stat().st_size
    assert f'<https://bundle.example/run/plan.yaml> <{SCHEMA}contentSize> "{size}" .' in told


def test_the_rocrate_library_reads_it(crate: Path) -> None:
    found = rocrate.ROCrate(str(crate))
    assert found.name == "How many vCPUs does the bookings database need?"
    assert str(found.metadata["conformsTo"]) == "https://w3id.org/ro/crate/1.1"
    files = {entity.id for entity in found.data_entities if entity.type == "File"}
    assert files == {
        path.relative_to(crate).as_posix()
        for path in crate.rglob("*")
        if path.is_file() and "trials" not in path.parts and path.name != "ro-crate-metadata.json"
    }
    trials = {entity.id for entity in found.data_entities if entity.type == "Dataset"}
    assert trials == {f"run/trials/{path.name}/" for path in (crate / "run" / "trials").iterdir()}
    action = found.dereference("#measuring")
    assert action["instrument"]["name"] == "trialbed"
    assert {entity.id for entity in action["result"]} == trials
