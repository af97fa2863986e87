"""Charts made ready to be drawn: what a page is given, pictures, and the program that draws, kept between reports."""

from __future__ import annotations

import json
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import altair as alt
import pytest
from chart_pictures import Picture

from orchestrator.adapters.report.charts import compiled
from orchestrator.adapters.report.charts.frame import Room, framed
from orchestrator.adapters.report.charts.palette import DARK, token
from orchestrator.adapters.report.document.parts import Chart

ROOM = Room(left=40, right=10, top=5, bottom=35)


def chart(*values: float) -> Chart:
    drawn = (
        alt.Chart(alt.NamedData("rates"), name="rates")
        .mark_point(color=token("plot-line"))
        .encode(x="at:Q", y="rate:Q")
    )
    rows = [{"at": at, "rate": value} for at, value in enumerate(values)]
    spec = framed([drawn], 120, ROOM)
    return Chart("trial-1", "Rates", "Rates.", spec, ROOM.around(120), {"rates": rows}, "trial")


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Where the program is kept, in a cache of the test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    compiled.javascript.cache_clear()
    yield tmp_path / "trialbed" / f"vega-{version('vl-convert-python')}.js"
    compiled.javascript.cache_clear()


def test_charts_of_one_template_compile_to_the_same() -> None:
    assert compiled.vega(chart(1, 2, 3)) == compiled.vega(chart(4, 5))
    assert "values" not in json.dumps(compiled.vega(chart(1))["data"])


def test_a_page_draws_the_chart_at_the_width_of_what_it_stands_in() -> None:
    spec = compiled.vega(chart(1))
    (width,) = (signal for signal in spec["signals"] if signal["name"] == "width")
    assert "containerSize()[0]" in width["init"]
    assert "- 50" in width["init"]  # the room at both sides
    assert width["on"][0]["events"] == "window:resize"
    assert spec["height"] + ROOM.top + ROOM.bottom == chart(1).height_px
    assert "var(--plot-line)" in json.dumps(spec)  # the page's style sheet colours it


def test_rows_are_put_into_the_data_sets_of_their_names() -> None:
    picture = Picture(chart(1, 2, 3))
    assert len([path for path in picture.root.iter("{http://www.w3.org/2000/svg}path") if path.get("aria-label")]) == 3


@pytest.mark.parametrize("width_px", [300, 1080])
def test_a_picture_has_the_size_asked_for_and_colours_of_its_scheme(width_px: int) -> None:
    drawn = compiled.svg(chart(1, 2), "dark", width_px)
    assert f'width="{width_px}" height="160"' in drawn
    assert DARK["paper"] in drawn
    assert DARK["plot-line"] in drawn
    assert "var(" not in drawn


@pytest.mark.parametrize("sign", ["\x00", "\x1b", "\x7f", "\u202e", "\ufffe", "\udc80"])
def test_characters_that_no_picture_may_hold_are_written_as_their_escapes(sign: str) -> None:
    spec = {
        "title": f"spec {sign}",
        "padding": {"left": 0, "right": 0, "top": 0, "bottom": 0},
        "data": {"name": "rates"},
        "mark": "text",
        "encoding": {"text": {"field": "rate"}},
    }
    made = compiled.svg(Chart("x", "X", "X.", spec, 80, {"rates": [{"rate": f"data {sign}"}]}), "light", 300)
    escape = sign.encode("unicode_escape", "surrogatepass").decode("ascii")
    assert f"spec {escape}<" in made
    assert f"data {escape}<" in made
    assert made.replace("\n", "").isprintable()


def test_a_png_has_as_many_dots_as_asked_for() -> None:
    made = compiled.rasterised(compiled.svg(chart(1, 2), "light", 300), 2)
    assert made[:8] == b"\x89PNG\r\n\x1a\n"  # PNG (ISO/IEC 15948), 5.2; 11.2.2: width and height begin the header
    assert (int.from_bytes(made[16:20]), int.from_bytes(made[20:24])) == (600, 320)


def test_the_program_is_made_once_and_kept_for_this_user_alone(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = compiled.javascript()
    assert "window.trialbed={vegaEmbed:" in made
    assert "</script" not in made.lower()
    assert kept.stat().st_mode & 0o077 == 0
    assert [path.name for path in kept.parent.iterdir()] == [kept.name]
    compiled.javascript.cache_clear()
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda _: pytest.fail("it was made again"))
    assert compiled.javascript() == made


@pytest.mark.parametrize("harm", ["cut short", "changed", "not text", "written by all", "a folder"])
def test_a_kept_program_that_is_not_whole_or_not_ours_is_made_again(
    kept: Path, monkeypatch: pytest.MonkeyPatch, harm: str
) -> None:
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda _: "window.trialbed={vega,vegaEmbed};")
    made = compiled.javascript()
    whole = kept.read_bytes()
    match harm:
        case "cut short":
            kept.write_bytes(whole[:-5])
        case "changed":
            kept.write_bytes(whole.replace(b"vegaEmbed", b"evilEmbed"))
        case "not text":
            kept.write_bytes(b"\xff\xfe\x00")
        case "written by all":
            kept.write_text("// e3b0\nfetch('https://evil.example')")
            kept.chmod(0o666)
        case _:
            kept.unlink()
            kept.mkdir()
    compiled.javascript.cache_clear()
    assert compiled.javascript() == made


def test_a_kept_program_that_another_version_made_otherwise_is_made_again(
    kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda snippet: snippet)
    for snippet in ("window.trialbed={vega, vegaEmbed};", "window.trialbed={vegaEmbed};"):
        monkeypatch.setattr(compiled, "_SNIPPET", snippet)
        compiled.javascript.cache_clear()
        assert compiled.javascript() == snippet
    assert kept.is_file()


def test_a_cache_that_cannot_be_written_costs_nothing_but_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda _: "window.trialbed={};")
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", Path("/proc/nowhere")):
        monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
        compiled.javascript.cache_clear()
        assert compiled.javascript() == "window.trialbed={};"
    compiled.javascript.cache_clear()


def test_a_cache_folder_that_is_not_absolute_is_ignored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG Base Directory Specification: "All paths set in these environment variables must be absolute", else ignored.
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda _: "window.trialbed={};")
    monkeypatch.setenv("XDG_CACHE_HOME", "cache")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    compiled.javascript.cache_clear()
    compiled.javascript()
    compiled.javascript.cache_clear()
    assert [path.name for path in tmp_path.iterdir()] == [".cache"]


def test_a_user_without_a_home_has_no_cache(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vl_convert.javascript_bundle", lambda _: "window.trialbed={};")
    for name in ("XDG_CACHE_HOME", "HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("os.getuid", lambda: 2**31 - 2)  # which no machine has an entry for
    compiled.javascript.cache_clear()
    assert compiled.javascript() == "window.trialbed={};"
    compiled.javascript.cache_clear()
