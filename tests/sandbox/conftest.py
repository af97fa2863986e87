"""What the sandbox's tests share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sandbox_places import short_folder


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder whose path leaves room for sockets."""
    with short_folder() as folder:
        yield folder
