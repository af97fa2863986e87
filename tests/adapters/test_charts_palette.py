"""Colours of reports against WCAG 2.2 and against published models of colour-blind sight."""

from __future__ import annotations

import re

import pytest

from orchestrator.adapters.report.charts.palette import DARK, LIGHT, concrete, css, token

SCHEMES = {"light": LIGHT, "dark": DARK}
#: Read as words.
TEXT = ("ink", "soft", "plot-chosen", "plot-law", "good", "doubt", "bad")
#: Marks without which a chart cannot be read. Lines of the grid and shades only help, and are told by words as well.
GRAPHICS = ("run", "wait", "idle", "point", "mean", "chosen", "steady", "line", "law", "base", "new")
#: Marks that stand beside each other and mean something else.
APART = (
    ("plot-run", "plot-wait"),
    ("plot-run", "plot-idle"),
    ("plot-wait", "plot-idle"),
    ("plot-base", "plot-new"),
    ("plot-mean", "plot-point"),
)


def luminance(colour: str) -> float:
    """Relative luminance of sRGB: W3C, WCAG 2.2, w3.org/TR/WCAG22/#dfn-relative-luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio: W3C, WCAG 2.2, w3.org/TR/WCAG22/#dfn-contrast-ratio."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_gives_the_ratio_that_wcag_names_for_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: ratios range from 1 to 21


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", TEXT)
def test_text_stands_out_from_the_paper(scheme: str, name: str) -> None:
    colours = SCHEMES[scheme]
    assert contrast(colours[name], colours["paper"]) >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("name", GRAPHICS)
def test_marks_stand_out_from_the_paper(scheme: str, name: str) -> None:
    colours = SCHEMES[scheme]
    assert contrast(colours[f"plot-{name}"], colours["paper"]) >= 3  # WCAG 2.2, success criterion 1.4.11


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_and_lines_stand_out_from_the_shade_of_the_warm_up(scheme: str) -> None:
    colours = SCHEMES[scheme]
    assert contrast(colours["soft"], colours["plot-warm-up"]) >= 4.5
    assert contrast(colours["plot-line"], colours["plot-warm-up"]) >= 3


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(("one", "other"), [pair for pair in APART if "plot-idle" not in pair])
def test_marks_beside_each_other_differ_in_a_grey_print(scheme: str, one: str, other: str) -> None:
    # Idle time is an outline on paper, and how other marks stand out from paper is held against WCAG above.
    assert contrast(SCHEMES[scheme][one], SCHEMES[scheme][other]) >= 1.8


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("sight", ["protanomaly", "deuteranomaly", "tritanomaly"])
def test_marks_stay_apart_for_colour_blind_readers(scheme: str, sight: str) -> None:
    # Machado, Oliveira & Fernandes 2009, at full severity; distances by CAM02-UCS (Luo et al. 2006), as colorspacious
    # has them. Two colours at 20 are told apart at a glance (common practice, no published source).
    colorspacious = pytest.importorskip("colorspacious")
    space = {"name": "sRGB1+CVD", "cvd_type": sight, "severity": 100}

    def seen(name: str) -> list[float]:
        colour = SCHEMES[scheme][name]
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        return [min(max(float(part), 0.0), 1.0) for part in colorspacious.cspace_convert(parts, space, "sRGB1")]

    for one, other in APART:
        assert colorspacious.deltaE(seen(one), seen(other), input_space="sRGB1") >= 20, (one, other)


def test_both_schemes_name_the_same_colours() -> None:
    assert list(LIGHT) == list(DARK)
    assert all(re.fullmatch(r"#[0-9a-f]{6}", colour) for scheme in SCHEMES.values() for colour in scheme.values())


def test_the_style_sheet_is_dark_on_dark_screens_only() -> None:
    sheet = css()
    always, dark = sheet.split("@media screen and (prefers-color-scheme:dark)")
    assert all(f"--{name}:{value}" in always for name, value in LIGHT.items())
    assert all(f"--{name}:{value}" in dark for name, value in DARK.items())


def test_pictures_get_colours_for_names_and_keep_data_as_it_is() -> None:
    spec = {
        "mark": {"color": token("plot-run"), "test": f"x ? '{token('ink')}' : 'none'"},
        "data": [{"values": [{"shape": "var(--ink)"}]}],
        "odd": ["var(--no-such-colour)", 1, None],
    }
    assert concrete(spec, "dark") == {
        "mark": {"color": DARK["plot-run"], "test": f"x ? '{DARK['ink']}' : 'none'"},
        "data": [{"values": [{"shape": "var(--ink)"}]}],
        "odd": ["var(--no-such-colour)", 1, None],
    }


def test_a_colour_that_is_not_in_the_palette_has_no_name() -> None:
    with pytest.raises(KeyError):
        token("plot-unknown")
