"""Charts made ready to be drawn: compiled to Vega, and drawn as pictures, without a browser and without a network.

Control characters become visible first: the library that measures texts would end the whole program at one of them.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from functools import cache, lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import vl_convert

from orchestrator.adapters.report.charts.palette import DARK, LIGHT, Scheme, concrete
from orchestrator.adapters.report.document.parts import Chart
from orchestrator.adapters.report.plain import visible

_NARROWEST_PX = 60
_SNIPPET = "window.trialbed={vegaEmbed};"


def vega(chart: Chart) -> dict[str, Any]:
    """The chart as Vega. It takes the width of what it stands in, and follows it when the window changes.

    Charts of one template give the same; their rows are put in by :func:`filled`, or by whoever draws them.
    """
    compiled: dict[str, Any] = json.loads(_compiled(json.dumps(visible(chart.spec), sort_keys=True)))
    padding = compiled["padding"]
    beside_px = padding["left"] + padding["right"]
    width = f"max({_NARROWEST_PX}, (isFinite(containerSize()[0]) ? containerSize()[0] : 720) - {beside_px})"
    follow = {"name": "width", "init": width, "on": [{"update": width, "events": "window:resize"}]}
    others = [signal for signal in compiled.get("signals", []) if signal["name"] != "width"]
    compiled.pop("width", None)
    inside_px = chart.height_px - padding["top"] - padding["bottom"]
    fixed = {"type": "none", "contains": "content"}
    return compiled | {"autosize": fixed, "height": inside_px, "signals": [follow, *others]}


def filled(spec: Mapping[str, Any], rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> dict[str, Any]:
    """Vega with rows in its named data sets."""
    sets = [{**one, "values": rows[one["name"]]} if one["name"] in rows else one for one in spec.get("data", [])]
    return {**spec, "data": sets}


def svg(chart: Chart, scheme: Scheme, width_px: int) -> str:
    """The chart as an SVG picture of ``width_px`` x ``chart.height_px``, on the scheme's paper."""
    return vl_convert.vega_to_svg(_picture(chart, scheme, width_px), allowed_base_urls=[])


def rasterised(picture: str, scale: float) -> bytes:
    """An SVG picture as PNG, ``scale`` dots for each px."""
    return vl_convert.svg_to_png(picture, scale=scale)


@cache
def javascript() -> str:
    """The program that draws charts in a page, as one script without imports: ``trialbed.vegaEmbed``.

    Making it takes seconds, so it is kept in the user's cache folder. A kept one that is not whole, that others could
    have written, or that another version of trialbed made otherwise, is not believed; where nothing can be kept it is
    made each time.
    """
    kept = _cache_folder() / f"vega-{version('vl-convert-python')}.js"
    if (known := _read(kept)) is not None:
        return known
    made = vl_convert.javascript_bundle(_SNIPPET)
    with suppress(OSError):
        _keep(kept, made)
    return made


def _picture(chart: Chart, scheme: Scheme, width_px: int) -> dict[str, Any]:
    spec = concrete(vega(chart), scheme)
    inside_px = max(_NARROWEST_PX, width_px - spec["padding"]["left"] - spec["padding"]["right"])
    signals = [signal for signal in spec["signals"] if signal["name"] != "width"]
    paper = (LIGHT if scheme == "light" else DARK)["paper"]
    return filled({**spec, "width": inside_px, "signals": signals, "background": paper}, visible(chart.data))


@lru_cache(maxsize=64)
def _compiled(spec: str) -> str:
    return json.dumps(vl_convert.vegalite_to_vega(json.loads(spec)))


def _cache_folder() -> Path:
    """XDG Base Directory Specification: a folder that is not absolute is to be ignored."""
    told = Path(os.environ.get("XDG_CACHE_HOME", ""))
    if told.is_absolute():
        return told / "trialbed"
    try:
        return Path.home() / ".cache" / "trialbed"
    except RuntimeError:  # a user who has none, as in a container: below this nothing can be kept
        return Path(os.devnull)


def _digest(script: str) -> str:
    """Of the program, and of what was asked for."""
    return hashlib.sha256(f"{_SNIPPET}\n{script}".encode()).hexdigest()


def _read(kept: Path) -> str | None:
    """What is kept, if it is whole and nobody else could have written it."""
    try:
        facts = kept.lstat()
        if not stat.S_ISREG(facts.st_mode) or facts.st_uid != os.getuid() or facts.st_mode & 0o022:
            return None
        digest, _, script = kept.read_bytes().decode().partition("\n")
    except (OSError, UnicodeDecodeError):
        return None
    return script if digest == f"// {_digest(script)}" else None


def _keep(kept: Path, script: str) -> None:
    kept.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    with tempfile.NamedTemporaryFile("w", dir=kept.parent, encoding="utf-8", newline="", delete=False) as file:
        try:
            file.write(f"// {_digest(script)}\n{script}")
            file.flush()
            Path(file.name).replace(kept)
        except BaseException:
            Path(file.name).unlink()
            raise
