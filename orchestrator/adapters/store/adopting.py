"""A run that was made elsewhere, taken into the store: whole, by one rename, or not at all."""

from __future__ import annotations

import secrets
import shutil
from pathlib import Path

from orchestrator.adapters.store.atomic import PARTIAL, explained, make_folders, sync
from orchestrator.adapters.store.digests import differences, files_below, read_sums
from orchestrator.adapters.store.layout import RunFolder
from orchestrator.errors import StoreError


def adopt(root: Path, folder: Path) -> bool:
    """Copy a run's folder into a results folder, under its own name.

    Args:
        root: the results folder; made where it is not there.
        folder: of the run, sealed.

    Returns:
        Whether it was copied; ``False`` where the same run is there already, with the same bytes.

    Raises:
        StoreError: another run of this name is there, or the system refuses; nothing is left behind then.
    """
    place = root / folder.name
    with explained("write", root):
        make_folders(root)
        if not place.exists():
            _copy(folder, place)
            return True
    wrong = differences(place, read_sums(RunFolder(folder).sums))
    if wrong:
        raise StoreError(
            f"{place} is there already and is not the same run: {wrong[0]}; nothing was changed: "
            "move it elsewhere, or give another results folder with --store"
        )
    return False


def _copy(folder: Path, place: Path) -> None:
    partial = place.with_name(f"{PARTIAL}{place.name}-{secrets.token_hex(4)}")
    partial.mkdir()
    try:
        for name in files_below(folder):
            target = partial / name
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                shutil.copyfile(folder / name, target)
            except OSError as error:  # it names what was copied, and not the disk that is full
                raise OSError(error.errno, error.strerror, str(place / name)) from error
            sync(target)
        for inner in (*(path for path in partial.rglob("*") if path.is_dir()), partial):
            sync(inner)
        partial.rename(place)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    sync(place.parent)
