"""The README's pictures of reports are true: what is to be read in them is what the same reports say now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from gallery_parts import FOLDER, PICTURES, Picture

if TYPE_CHECKING:
    from conftest import Visits
    from report_runs import Library

MOST_BYTES = 250_000


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_a_picture_says_what_the_report_says(picture: Picture, library: Library, visits: Visits) -> None:
    page = visits.open(library.report(*picture.runs(library)), **picture.context())
    picture.ready(page)
    assert picture.text(page) == (FOLDER / f"{picture.name}.txt").read_text(encoding="utf-8"), (
        "make the pictures anew: python tests/gallery/make.py"
    )


@pytest.mark.parametrize("picture", PICTURES, ids=lambda picture: picture.name)
def test_a_picture_is_small(picture: Picture) -> None:
    assert (FOLDER / f"{picture.name}.png").stat().st_size < MOST_BYTES
