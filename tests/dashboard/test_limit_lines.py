"""Limit lines: every level on its row, at its height, named where joints differ."""

from dashboard.figures.axes import plan_rows
from dashboard.figures.furniture import Furniture, LimitLine, limit_lines, shapes_of
from dashboard.theme import LIGHT
from logger.joint.joint_settings import Rated
from logger.limits.limit import limits_from

LIMITS = """
format = 1
[[limit]]
name = "touch"
kind = "touch"
severity = "warning"
contact_s = 600
drop_off = 45
[[limit]]
name = "rated"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above_rated = 1.0
drop_off_rated = 0.9
[[limit]]
name = "reach"
kind = "level"
severity = "trip"
channel = "position_rad"
outside = [-1.5707963267948966, 1.5707963267948966]
inside = [-1.0471975511965976, 1.0471975511965976]
[[limit]]
name = "warming"
kind = "rate"
severity = "warning"
channel = "temperature_housing_degC"
rise_per_min = 5
over_s = 60
"""
CHANNELS = ("temperature_housing_degC", "torque_Nm", "position_rad")


def _lines(shoulder: float, elbow: float) -> tuple[LimitLine, ...]:
    rows = plan_rows({"shoulder": CHANNELS, "elbow": CHANNELS}, {})
    rated = {"shoulder": Rated(torque=shoulder), "elbow": Rated(torque=elbow)}
    return limit_lines(limits_from(LIMITS, "limits.toml"), rows, rated)


def test_every_level_is_drawn():
    """Touch, both sides of an outside and each joint's share of its rated torque; no rate."""
    told = [(line.row, line.mark, line.text) for line in _lines(18.0, 9.0)]
    assert told == [
        (0, "abnormal", "touch warning 48, off at 45"),
        (1, "abnormal", "shoulder warning 18, off at 16.2"),
        (1, "abnormal", "elbow warning 9, off at 8.1"),
        (2, "danger", "trip below −90, off at −60"),
        (2, "danger", "trip 90, off at 60"),
    ]


def test_one_line_where_joints_share_it():
    """Joints of the same rated torque have one line, and it names none of them."""
    told = [line.text for line in _lines(18.0, 18.0) if line.row == 1]
    assert told == ["warning 18, off at 16.2"]


def test_hysteresis_is_drawn_on_the_side_of_its_line():
    """Each line has its band from pick-up to drop-off and a dotted drop-off, below zero as well."""
    lines = tuple(line for line in _lines(18.0, 18.0) if line.row == 2)
    shapes = shapes_of(
        Furniture(limits=lines), now_s=0.0, theme=LIGHT, top_px=(400.0, 5.0), px_per_s=1.0
    )
    bands = [(s["y0"], s["y1"]) for s in shapes if s["type"] == "rect"]
    assert [tuple(round(y) for y in band) for band in bands] == [(-60, -90), (60, 90)]
    assert sum(s["type"] == "line" for s in shapes) == 4
