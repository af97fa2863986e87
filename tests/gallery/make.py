"""Makes the pictures of the README anew: three reports on simulated and stored runs, as a browser shows them.

    python tests/gallery/make.py

It needs Chromium and the extra [browser]. Beside each picture stands what is to be read in it; a test makes the same
reports and compares, so a picture that is no longer true is found.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "adapters"))
sys.path.insert(0, str(Path(__file__).parent.parent / "browser"))

from gallery_parts import FOLDER, PICTURES
from PIL import Image
from playwright.sync_api import sync_playwright
from report_runs import Library

WITHIN_MS = 120_000
#: Enough for flat colours and the edges of letters.
COLOURS = 128


def main() -> None:
    """Make the runs, the reports, the pictures and their texts."""
    program = os.environ.get("TRIALBED_CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        os.environ["TRIALBED_LEASES"] = f"{folder}/leases"
        library = Library(Path(folder))
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        for picture in PICTURES:
            page = browser.new_context(**picture.context()).new_page()
            page.set_default_timeout(WITHIN_MS)
            page.goto(library.report(*picture.runs(library)).as_uri())
            picture.ready(page)
            drawn = Image.open(io.BytesIO(page.screenshot(clip=picture.clip(page), full_page=True)))
            drawn.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
                FOLDER / f"{picture.name}.png", optimize=True
            )
            (FOLDER / f"{picture.name}.txt").write_text(picture.text(page), encoding="utf-8")
            print(f"{picture.name}.png: {(FOLDER / f'{picture.name}.png').stat().st_size / 1000:.0f} kB")
        browser.close()


if __name__ == "__main__":
    main()
