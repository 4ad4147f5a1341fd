"""Angles and speeds in the reader's units: titles, ticks, limits, words and figures follow."""

import math
from pathlib import Path

import plotly.graph_objects as go
import pytest

from dashboard.figures.axes import tick_text
from dashboard.figures.sheet import make_sheet
from dashboard.live.view_request import view_request
from dashboard.plot_data import plan_recording_rows, read_annotations
from dashboard.replay.recording_view import DrawOptions, open_view, span_table, window_figure
from dashboard.text.theme import LIGHT
from dashboard.text.units import ANGLE_DISPLAYS, SPEED_DISPLAYS, select_displays
from logger.importing.import_frames import import_frames
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
LIMITS = """
format = 1
[[limit]]
name = "fast"
kind = "level"
severity = "warning"
joint = "shoulder"
channel = "speed_rad_s"
above = 0.5
drop_off = 0.25
"""


@pytest.fixture(scope="module")
def moving(tmp_path_factory: pytest.TempPathFactory) -> Recording:
    """Give a minute of the simulated joints with a limit on the shoulder's speed."""
    out: Path = tmp_path_factory.mktemp("units") / "moving"
    import_frames(
        simulate_frames(hours=1 / 60, rate_Hz=50.0, seed=3, start_ns=START_NS),
        bench=scenario.scenario_bench(channel="simulated", rate_Hz=50.0),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=out,
        name="Moving",
        start_ns=START_NS,
        end_ns=START_NS + 60 * 10**9,
        simulated=True,
    )
    return Recording.open(out)


def _drawn(position: str, speed: str) -> DrawOptions:
    return DrawOptions(
        sheet=make_sheet("normal", 900, 440), theme=LIGHT, displays=select_displays(position, speed)
    )


@pytest.mark.parametrize(
    ("unit", "value", "shown"),
    [
        (ANGLE_DISPLAYS["deg"], math.pi, 180.0),
        (ANGLE_DISPLAYS["rad"], math.pi, math.pi),
        (SPEED_DISPLAYS["deg_s"], 2 * math.pi, 360.0),
        (SPEED_DISPLAYS["rpm"], 2 * math.pi, 60.0),
        (SPEED_DISPLAYS["rad_s"], 2 * math.pi, 2 * math.pi),
    ],
)
def test_units_are_what_they_are(unit, value: float, shown: float):
    """A half turn is 180 degrees, a turn a second 60 rpm."""
    assert value * unit.factor == pytest.approx(shown)


@pytest.mark.parametrize("position", ["deg", "rad"])
@pytest.mark.parametrize("speed", ["deg_s", "rpm", "rad_s"])
def test_a_figure_is_in_the_readers_units(moving: Recording, position: str, speed: str):
    """Titles name the unit; values, ranges and ticks are the same picture in other numbers."""
    plain = window_figure(moving, 0.0, 60.0, _drawn("deg", "deg_s"))
    made = window_figure(moving, 0.0, 60.0, _drawn(position, speed))
    go.Figure(made)
    titles = " ".join(note["text"] for note in made["layout"]["annotations"])
    meta = made["layout"]["meta"]["rows"]
    for index, (unit, factor) in enumerate(
        [
            (
                SPEED_DISPLAYS[speed].unit,
                SPEED_DISPLAYS[speed].factor / SPEED_DISPLAYS["deg_s"].factor,
            ),
            (
                ANGLE_DISPLAYS[position].unit,
                ANGLE_DISPLAYS[position].factor / ANGLE_DISPLAYS["deg"].factor,
            ),
        ],
        start=2,
    ):
        assert meta[index]["unit"] == unit
        assert f">{unit}<" in titles
        low, high = meta[index]["range"]
        wide = plain["layout"]["meta"]["rows"][index]["range"]
        assert (high - low) / factor == pytest.approx(wide[1] - wide[0], rel=0.5)
    for one, other in zip(made["data"], plain["data"], strict=True):
        channel = one["meta"]["channel"]
        factor = {
            "speed": SPEED_DISPLAYS[speed].factor / SPEED_DISPLAYS["deg_s"].factor,
            "position": ANGLE_DISPLAYS[position].factor / ANGLE_DISPLAYS["deg"].factor,
        }.get(channel.split("_")[0], 1.0)
        for here, there in zip(one["y"], other["y"], strict=True):
            assert (here is None) == (there is None)
            if here is not None:
                assert here == pytest.approx(there * factor, abs=1e-9)


def test_limits_alerts_and_excursions_follow(moving: Recording):
    """The limit's line stands where it did; what is said of it names the reader's unit."""
    for speed, line, words in (
        ("deg_s", 0.5 * 180 / math.pi, "°/s"),
        ("rpm", 0.5 * 30 / math.pi, "rpm"),
        ("rad_s", 0.5, "rad/s"),
    ):
        shown = select_displays("deg", speed)
        furniture = read_annotations(
            moving,
            plan_recording_rows(moving, shown),
            START_NS,
            START_NS + 60 * 10**9,
            displays=shown,
        )
        assert [limit.pick_up for limit in furniture.limits] == [pytest.approx(line)]
        assert furniture.alerts
        assert all(words in alert.text for alert in furniture.alerts)
        page = open_view(moving, _drawn("deg", speed))
        assert words in page["excursions"][0]["label"]
        assert words in page["excursions"][0]["peak"]


def test_a_spans_figures_follow(moving: Recording):
    """The table of a dragged span is in the reader's units."""
    plain = span_table(moving, 5.0, 20.0)
    made = span_table(moving, 5.0, 20.0, select_displays("rad", "rad_s"))
    of = {row["title"]: row for row in plain["table"] if row["title"]}
    for row in made["table"]:
        if row["title"] in {"Speed", "Position"}:
            assert row["unit"] in {"rad/s", "rad"}
            turned = float(of[row["title"]]["maximum"].replace("−", "-")) * math.pi / 180
            assert float(row["maximum"].replace("−", "-")) == pytest.approx(turned, abs=0.02)


def test_a_page_says_its_units_and_nonsense_is_plain():
    """What a page asks for, and what nobody knows."""
    assert view_request({"position": "rad", "speed": "rpm"}).displays["speed"].unit == "rpm"
    for said in ({}, {"position": 3, "speed": None}, {"position": "turn", "speed": "knots"}):
        displays = view_request(said).displays
        assert (displays["position"].unit, displays["speed"].unit) == ("°", "°/s")


def test_labels_have_the_decimals_that_they_take():
    """Steps of a quarter need two, whole numbers none, and none is rounded to another."""
    assert tick_text([0.0, 0.25, 0.5]) == ["0.00", "0.25", "0.50"]
    assert tick_text([-90.0, 0.0, 90.0]) == ["−90", "0", "90"]
    assert tick_text([-1.5, 0.0, 1.5]) == ["−1.5", "0.0", "1.5"]
