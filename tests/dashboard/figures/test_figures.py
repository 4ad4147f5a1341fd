"""Figures: no extreme lost on the way to plotly, gaps break lines, no more points than pixels."""

import json
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.figures.annotations import alert_spans
from dashboard.figures.sheet import make_sheet
from dashboard.replay.recording_view import DrawOptions, open_view, span_table, window_figure
from dashboard.row_data import fine_bins
from dashboard.text.theme import DARK, LIGHT
from logger.store.tools.cut import copy_span
from replay.recording import Recording

DRAWN = DrawOptions(sheet=make_sheet("normal", 900, 440), theme=LIGHT)
S = 1_000_000_000


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("form", ["narrow", "normal", "wide"])
@pytest.mark.parametrize("window", [(0.0, 1800.0), (600.0, 660.0), (600.0, 601.0)])
def test_plotly_accepts_every_figure(overheat: Recording, look, form: str, window):
    """Rows and strip in every form and theme are figures, and travel as plain JSON."""
    drawn = DrawOptions(sheet=make_sheet(form, 900, 440), theme=look)
    made = window_figure(overheat, *window, drawn)
    go.Figure(made)
    json.dumps(made, allow_nan=False)
    bins = fine_bins(round((window[1] - window[0]) * S), drawn.sheet.plot_width)
    for one in made["data"]:
        assert len(one["x"]) <= 3 * bins + 4
    page = open_view(overheat, drawn)
    go.Figure(page["strip"])
    json.dumps(page, allow_nan=False)
    assert any(one["severity"] == "trip" for one in page["excursions"])
    assert page["alert_stops"] == sorted(page["alert_stops"])
    assert set(page["trip_stops"]) < set(page["alert_stops"])


@pytest.mark.parametrize("window_s", [10, 60, 240, 600, 900, 1200, 1800])
@pytest.mark.parametrize("form", ["narrow", "normal"])
def test_a_window_has_one_form_and_no_bucket_is_wider_than_two_pixels(
    overheat: Recording, form: str, window_s: int
):
    """All rows are lines or all are bands; buckets are drawn no wider than two pixels."""
    sheet = make_sheet(form, 900, 440)
    drawn = DrawOptions(sheet=sheet, theme=LIGHT)
    made = window_figure(overheat, 1800.0 - window_s, 1800.0, drawn)
    roles = {one["meta"]["role"] for one in made["data"]}
    assert roles in ({"line", "setpoint"}, {"fill", "mean"})
    for one in made["data"]:
        if one["meta"]["role"] != "mean":
            continue
        steps = np.diff([at for at in one["x"] if at is not None])
        assert steps[steps > 0].min() * sheet.plot_width / window_s <= 2.001


def test_cycles_narrower_than_buckets_are_bands(overheat: Recording):
    """Half an hour of cycles of eight seconds on a phone; two minutes of it are lines."""
    drawn = DrawOptions(sheet=make_sheet("narrow", 390, 440), theme=LIGHT)
    whole, part = (window_figure(overheat, begin, 1800.0, drawn) for begin in (0.0, 1680.0))
    assert "fill" in {one["meta"]["role"] for one in whole["data"]}
    assert "line" in {one["meta"]["role"] for one in part["data"]}


@pytest.mark.parametrize("window", [(0.0, 1800.0), (700.0, 1000.0), (600.0, 630.0)])
def test_no_extreme_is_lost_on_the_page(overheat: Recording, window: tuple[float, float]):
    """The highest and lowest raw torque of a window stand in what plotly is given."""
    made = window_figure(overheat, *window, DRAWN)
    start = overheat.start_ns
    _, raw = overheat.read_readings(
        "shoulder", start + int(window[0] * S), start + int(window[1] * S), channels=["torque_Nm"]
    ).channel_series("torque_Nm")
    drawn = np.concatenate(
        [
            [value for value in one["y"] if value is not None]
            for one in made["data"]
            if (one["meta"]["joint"], one["meta"]["channel"]) == ("shoulder", "torque_Nm")
        ]
    )
    assert drawn.max() >= raw.max()
    assert drawn.min() <= raw.min()


def test_a_spans_figures_are_in_words(overheat: Recording):
    """Each measured channel of each joint: min, mean, max, RMS, and whether there was a gap."""
    told = span_table(overheat, 600.0, 624.0)
    assert told["title"] == "Dragged span, 24 s"
    assert "no gap" in told["when"]
    assert {row["joint"] for row in told["table"]} == {"shoulder", "elbow"}
    torque = next(row for row in told["table"] if row["title"] == "Torque")
    assert float(torque["rms"]) > 5
    json.dumps(told, allow_nan=False)


def test_an_alert_from_before_the_beginning(overheat: Recording, tmp_path: Path):
    """In a cut it stands from the left edge on, is said to be older, and stays on the paper."""
    alert = next(one for one in overheat.read_alerts() if one.severity == "trip")
    made = copy_span(
        overheat.path,
        out=tmp_path / "cut",
        start_ns=alert.raised_ns + 10 * S,
        end_ns=alert.raised_ns + 70 * S,
    )
    cut = Recording.open(made.path)
    spans = alert_spans(cut.read_alerts(), cut.limit_sets, (), cut.start_ns)
    told = next(one for one in spans if "80 °C" in one.text)
    assert (told.start_s, told.end_s) == (0.0, None)
    assert told.text.endswith(", since before")
    figure = window_figure(cut, 0.0, 60.0, DRAWN)
    assert "since before" in json.dumps(figure, ensure_ascii=False)
    marks = open_view(cut, DRAWN)["strip"]["layout"]["meta"]["marks"]
    assert min(mark["x0"] for mark in marks) == 0
