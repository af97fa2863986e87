"""The store on a folder keeps the same promises as the store in memory."""

from __future__ import annotations

import itertools
from pathlib import Path

from orchestrator.adapters.store.folder import FolderStore
from orchestrator.testing.conformance_store import check_store


def test_a_folder_keeps_the_promises_of_a_store(tmp_path: Path) -> None:
    numbers = itertools.count()
    check_store(lambda: FolderStore(tmp_path / str(next(numbers))))
