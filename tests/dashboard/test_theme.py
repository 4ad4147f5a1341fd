"""Colours carry meaning only where they can be seen."""

import re
from pathlib import Path

import pytest

from dashboard import theme
from dashboard.theme import DARK, LIGHT, contrast, elapsed, number, span_words

CSS = Path(theme.__file__).parent / "assets" / "look.css"


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
    assert contrast(one, other) == pytest.approx(ratio, abs=1e-5)


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
    ]
    for text, ground in pairs:
        assert contrast(text, ground) >= 4.5, (text, ground)


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_lines_and_marks_can_be_seen(look: theme.Theme):
    """WCAG 2.2, SC 1.4.11: pens, control outlines and the edges of marks at 3:1."""
    for colour in (*look.pens, look.line, look.danger, look.abnormal_edge, look.normal, look.none):
        assert contrast(colour, look.paper) >= 3.0, colour
    for pen in look.pens[:2]:
        assert contrast(pen, look.abnormal_tint) >= 3.0
        assert contrast(pen, look.danger_tint) >= 3.0


def test_pages_and_figures_share_their_colours():
    """The style sheet carries the same tokens as the theme."""
    colours = {found.upper() for found in re.findall(r"#[0-9a-fA-F]{6}\b", CSS.read_text("utf-8"))}
    for look in (LIGHT, DARK):
        used = {
            look.paper, look.ink, look.ink_2, look.line, look.danger, look.danger_tint,
            look.abnormal, look.abnormal_tint, look.normal, look.asked, look.none, look.none_tint,
            *look.pens,
        }  # fmt: skip
        assert {colour.upper() for colour in used} <= colours


def test_numbers_as_the_pages_write_them():
    """The minus is U+2212, there is no minus zero, and a missing value is a dash."""
    assert number(-3.04, 1) == "−3.0"
    assert number(-0.01, 1) == "0.0"
    assert number(float("nan")) == "–"
    assert elapsed(11565.04, tenths=True) == "03:12:45.0"
    assert span_words(860) == "14 min 20 s"
    assert span_words(0.62) == "0.6 s"
