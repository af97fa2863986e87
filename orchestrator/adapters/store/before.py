"""What a run keeps of its guests as they were, and of its inputs.

Reading takes no right to write, so that any copy of a run's folder will do. What is replaced, since somebody accepted a
change, is put apart and not lost.
"""

from __future__ import annotations

from urllib.parse import unquote

from orchestrator.adapters.store.atomic import PARTIAL, explained, make_folders, replace_file, write_folder
from orchestrator.adapters.store.digests import differences, sha256
from orchestrator.adapters.store.drafts import put_apart
from orchestrator.adapters.store.inspecting import entries
from orchestrator.adapters.store.json_file import document, load
from orchestrator.adapters.store.layout import DISCARDED_RECORD, RunFolder, input_file, relative_file
from orchestrator.core.measure.results import Record
from orchestrator.core.record.discarded import Discarded
from orchestrator.core.record.trial import SCHEMA_VERSION
from orchestrator.engine.ports import SavedGuest
from orchestrator.errors import StoreError
from orchestrator.units import utc_text


class SavedState(Record):
    """What ``before/<guest>/saved.json`` holds."""

    schema_version: int = SCHEMA_VERSION
    guest: str
    running: bool
    files: dict[str, str]
    """SHA-256 of each file below ``definition/``, by its path there."""


def guests(folder: RunFolder) -> tuple[str, ...]:
    """The guests that are kept, by name.

    Raises:
        StoreError: the folder cannot be read.
    """
    return tuple(
        path.name for path in entries(folder.before) if path.is_dir() and not path.name.startswith((PARTIAL, "."))
    )


def saved_guest(folder: RunFolder, guest: str) -> SavedGuest | None:
    """A guest as it was; ``None`` where it was not kept.

    Raises:
        StoreError: when it is damaged: a guest is never put back from a definition that was changed.
    """
    place = folder.before / guest
    with explained("read", place):
        if not place.is_dir():
            return None
    state = load(SavedState, place / "saved.json")
    if wrong := differences(place / "definition", state.files):
        raise StoreError(
            f"{place}: {'; '.join(wrong)}; the guest cannot be put back from it: restore the files from a copy"
        )
    with explained("read", place):
        files = {unquote(name): (place / "definition" / name).read_bytes() for name in state.files}
    return SavedGuest(files, state.running)


def definition_folder(folder: RunFolder, guest: str) -> str:
    """Absolute path of the folder that holds a guest's definition, for commands that people type."""
    return str((folder.before / guest / "definition").absolute())


def write_guest(folder: RunFolder, guest: str, saved: SavedGuest) -> None:
    """Write a guest that is not kept yet. It appears whole or not at all, for its owner's eyes only.

    A definition may hold what is not for everybody, such as a display's password.

    Raises:
        StoreError: when the system refuses.
    """
    definition = {relative_file(name): content for name, content in saved.files.items()}
    digests = {name: sha256(content) for name, content in definition.items()}
    state = SavedState(guest=guest, running=saved.running, files=digests)
    files = {f"definition/{name}": content for name, content in definition.items()}
    with explained("write", folder.before / guest):
        make_folders(folder.before)
        write_folder(folder.before / guest, {**files, "saved.json": document(state)}, private=True)


def replace_guest(folder: RunFolder, guest: str, saved: SavedGuest, reason: str) -> None:
    """Keep a guest as it is now, and put apart how it was kept before; cut short in between, it is kept anew.

    Raises:
        StoreError: when the system refuses.
    """
    if (folder.before / guest).is_dir():
        put_apart(folder, folder.before / guest, f"before-{guest}", reason)
    write_guest(folder, guest, saved)


def replace_input(folder: RunFolder, name: str, content: bytes, reason: str) -> None:
    """Keep another plan, lab or file of a workload, and a copy of the one that was kept before.

    Raises:
        StoreError: when the system refuses.
    """
    place = folder.path / input_file(name)
    with explained("write", folder.discarded):
        if place.is_file():
            stem, number = relative_file(name).replace("/", "-"), 1
            make_folders(folder.discarded)
            while (apart := folder.discarded / f"{stem}-{number}").exists():
                number += 1
            record = Discarded(trial=name, reason=reason, last_written_utc=utc_text(place.stat().st_mtime))
            write_folder(apart, {place.name: place.read_bytes(), DISCARDED_RECORD: document(record)})
    replace_file(place, content)


def kept_inputs(folder: RunFolder) -> dict[str, bytes]:
    """Plan, lab and the workloads' files, byte for byte; those that are there.

    Raises:
        StoreError: one cannot be read, or is a link to what lies elsewhere, which is shown to nobody.
    """
    found: dict[str, bytes] = {}
    own = folder.path.resolve()
    for name, path in folder.input_files().items():
        with explained("read", path):
            if not path.resolve().is_relative_to(own):
                raise StoreError(f"{path} leads out of the run's folder, so it is not read; put the file itself there")
            found[name] = path.read_bytes()
    return found
