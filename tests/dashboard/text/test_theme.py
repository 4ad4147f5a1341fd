"""Colours carry meaning only where they can be seen."""

import math
import re
from dataclasses import fields
from pathlib import Path

import pytest

from dashboard.figures.annotation_shapes import TINT_OPACITY
from dashboard.text import theme
from dashboard.text.format import format_duration, format_elapsed, format_number
from dashboard.text.theme import DARK, LIGHT, contrast_ratio

CSS = Path(theme.__file__).parents[1] / "assets" / "base.css"


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#767676", "#FFFFFF", 4.54222),
        ("#777777", "#FFFFFF", 4.47809),
        ("#0000FF", "#FFFFFF", 8.59247),
        ("#FF0000", "#FFFFFF", 3.99848),
        ("#1F2937", "#F9FAFB", 14.04666),
    ],
)
def test_contrast_ratio(one: str, other: str, ratio: float):
    """WCAG 2.2, contrast ratio: published and recomputed pairs."""
    assert contrast_ratio(one, other) == pytest.approx(ratio, abs=1e-5)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_text_can_be_read(look: theme.Theme):
    """WCAG 2.2, SC 1.4.3: text at 4.5:1 on paper, on tints and on filled states."""
    pairs = [
        (look.ink, look.paper),
        (look.ink_2, look.paper),
        (look.ink, look.paper_2),
        (look.ink_2, look.paper_2),
        (look.ink, look.danger_tint),
        (look.ink_2, look.danger_tint),
        (look.ink, look.abnormal_tint),
        (look.ink_2, look.abnormal_tint),
        (look.ink_2, look.none_tint),
        (look.danger_on, look.danger),
        (look.abnormal_on, look.abnormal),
        (look.asked_on, look.asked),
        (look.normal, look.paper),
        (look.none, look.paper),
        (look.asked, look.paper),
        # The tab of the play-head, and a button that is all ink.
        (look.paper, look.ink),
    ]
    for text, ground in pairs:
        assert contrast_ratio(text, ground) >= 4.5, (text, ground)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_lines_and_marks_can_be_seen(look: theme.Theme):
    """WCAG 2.2, SC 1.4.11: pens, control outlines and the edges of marks at 3:1."""
    for colour in (*look.pens, look.line, look.danger, look.abnormal_edge, look.normal, look.none):
        assert contrast_ratio(colour, look.paper) >= 3.0, colour
    for pen in look.pens[:2]:
        assert contrast_ratio(pen, look.abnormal_tint) >= 3.0
        assert contrast_ratio(pen, look.danger_tint) >= 3.0
    # Controls on the row that is open; marks, outlines and traces of ink on every ground.
    assert contrast_ratio(look.line, look.paper_2) >= 3.0
    for colour, ground in (
        (look.danger, look.danger_tint),
        (look.abnormal_edge, look.abnormal_tint),
        (look.none, look.none_tint),
        (look.asked, look.danger_tint),
        (look.asked, look.abnormal_tint),
        (look.ink, look.none_tint),
        (look.ink_2, look.none_tint),
        (look.normal, look.paper_2),
        (look.danger, look.paper_2),
        (look.abnormal_edge, look.paper_2),
    ):
        assert contrast_ratio(colour, ground) >= 3.0, (colour, ground)


@pytest.mark.parametrize(
    ("colour", "on_white", "on_black"),
    [
        ("#E69F00", 2.2523, 9.3239),
        ("#56B4E9", 2.3075, 9.1008),
        ("#009E73", 3.4211, 6.1383),
        ("#F0E442", 1.3223, 15.8811),
        ("#0072B2", 5.1854, 4.0498),
        ("#D55E00", 3.8672, 5.4303),
        ("#CC79A7", 3.0610, 6.8604),
    ],
)
def test_the_pens_are_those_that_can_be_seen(colour: str, on_white: float, on_black: float):
    """Okabe and Ito's colours: those that fail 3:1 on white are no pen of the light theme."""
    assert contrast_ratio(colour, "#FFFFFF") == pytest.approx(on_white, abs=1e-4)
    assert contrast_ratio(colour, "#000000") == pytest.approx(on_black, abs=1e-4)
    if on_white < 3.0:
        assert colour not in LIGHT.pens


def _lab(colour: str) -> tuple[float, float, float]:
    """Return L*, a*, b* of #RRGGBB (sRGB after IEC 61966-2-1, CIE 1976, D65)."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    x = (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    z = (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089
    fx, fy, fz = (t ** (1 / 3) if t > 0.008856 else 7.787 * t + 16 / 116 for t in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_no_pen_looks_like_a_state(look: theme.Theme):
    """A trace is not taken for a warning or a trip: 30 apart in CIE76."""
    for pen in look.pens:
        for state in (look.abnormal, look.danger):
            assert math.dist(_lab(pen), _lab(state)) > 30, (pen, state)


def test_on_slate_a_trip_is_louder_than_a_warning():
    """Its ground and its tint stand out further from the paper."""
    grounds = [contrast_ratio(one, DARK.paper) for one in (DARK.danger_tint, DARK.abnormal_tint)]
    assert grounds[0] > grounds[1]
    opacity = TINT_OPACITY["dark"]
    tints = [
        opacity[mark] * math.dist(_lab(colour), _lab(DARK.paper))
        for mark, colour in (("danger", DARK.danger), ("abnormal", DARK.abnormal))
    ]
    assert tints[0] > 1.5 * tints[1]


def _tokens(css: str) -> dict[str, str]:
    return {name: value.upper() for name, value in re.findall(r"--([\w-]+): (#\w{6});", css)}


def test_pages_and_figures_share_their_colours():
    """Each token of either theme in the style sheet is that of the theme, and none is missing."""
    light, _, rest = CSS.read_text("utf-8").partition("@media (prefers-color-scheme: dark)")
    dark = rest.partition("\n}")[0]
    for look, css in ((LIGHT, light), (DARK, dark)):
        wanted = {f"pen-{pen}": look.pen_colour(pen) for pen in (1, 2, 3, 4)}
        for field in fields(look):
            if field.name not in {"name", "pens"}:
                wanted[field.name.replace("_", "-")] = getattr(look, field.name)
        assert _tokens(css) == {name: value.upper() for name, value in wanted.items()}


def test_no_style_names_a_colour_of_its_own():
    """Every other style takes its colours from the tokens: one place to check, one to change."""
    for sheet in CSS.parent.glob("*.css"):
        text = sheet.read_text("utf-8")
        if sheet == CSS:
            text = text.partition("* { box-sizing")[2]
        assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[;,) ])", text), sheet.name


def test_numbers_as_the_pages_write_them():
    """The minus is U+2212, there is no minus zero, and a missing value is a dash."""
    assert format_number(-3.04, 1) == "−3.0"
    assert format_number(-0.01, 1) == "0.0"
    assert format_number(float("nan")) == "–"
    assert format_elapsed(11565.04, 1) == "03:12:45.0"
    assert format_duration(860) == "14 min 20 s"
    assert format_duration(0.62) == "0.6 s"
