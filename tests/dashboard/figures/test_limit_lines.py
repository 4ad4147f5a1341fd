"""Limit lines: every level on its row, at its height, named where it is not that of all joints."""

from dataclasses import replace

from dashboard.figures.annotation_shapes import draw_annotations
from dashboard.figures.annotations import (
    AlertSpan,
    Annotations,
    LimitLine,
    alert_spans,
    limit_lines,
)
from dashboard.figures.axes import Axis
from dashboard.figures.row_plan import plan_rows
from dashboard.text.theme import LIGHT
from logger.joint.bench.joint_settings import RatedValues
from logger.limits.lifecycle import Alert
from logger.limits.limit import parse_limits

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
S = 1_000_000_000
CHANNELS = ("temperature_housing_degC", "torque_Nm", "position_rad")


def _lines(shoulder: float, elbow: float) -> tuple[LimitLine, ...]:
    rows = plan_rows({"shoulder": CHANNELS, "elbow": CHANNELS}, {})
    rated = {"shoulder": RatedValues(torque=shoulder), "elbow": RatedValues(torque=elbow)}
    return limit_lines([(0, parse_limits(LIMITS, "limits.toml"))], rows, rated, 0)


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


def _axes(*ends: tuple[float, float]) -> tuple[Axis, ...]:
    return tuple(Axis(low=low, high=high, ticks=()) for low, high in ends)


ROWS = _axes((20.0, 90.0), (0.0, 20.0), (-120.0, 120.0))


def _shapes(lines: tuple[LimitLine, ...], alerts: tuple[AlertSpan, ...] = ()) -> list[dict]:
    return draw_annotations(
        Annotations(limits=lines, alerts=alerts), ROWS,
        now_s=20.0, theme=LIGHT, top_px=(400.0, 5.0), px_per_s=1.0,
    )  # fmt: skip


def _tints(shapes: list[dict]) -> list[tuple[str, int, int]]:
    return [
        (s["fillcolor"], round(s["y0"]), round(s["y1"]))
        for s in shapes
        if s["type"] == "rect" and s["yref"] != "paper"
    ]


def test_what_is_beyond_a_level_is_tinted():
    """From the level away from the normal side, below zero as well; the drop-off is dotted."""
    shapes = _shapes(tuple(line for line in _lines(18.0, 18.0) if line.row == 2))
    assert _tints(shapes) == [(LIGHT.danger, -90, -120), (LIGHT.danger, 90, 120)]
    dotted = {round(s["y0"]) for s in shapes if "dash" in s["line"]}
    solid = {round(s["y0"]) for s in shapes if s["type"] == "line" and "dash" not in s["line"]}
    assert (dotted, solid) == ({-60, 60}, {-90, 90})


def test_a_tint_ends_at_the_next_level_that_is_no_less_bad():
    """Warning up to the trip, trip to the edge; nothing is tinted twice, nor beyond a trip."""
    head = "format = 1\n"
    text = head + "".join(
        _level(at, severity, name)
        for name, at, severity in (
            ("a", 60, "warning"), ("b", 70, "warning"), ("c", 80, "trip"),
            ("d", 85, "warning"), ("e", 70, "warning"),
        )
    )  # fmt: skip
    assert _tints(_shapes(_over(text))) == [
        (LIGHT.abnormal, 60, 70),
        (LIGHT.abnormal, 70, 80),
        (LIGHT.danger, 80, 90),
    ]


def test_the_ground_of_an_alert_lies_beyond_its_own_level():
    """Not over the traces below, nor over the band of the trip; none for another joint's alert."""
    text = "format = 1\n" + _level(70) + _level(80, "trip")
    alert = AlertSpan(
        row=0, start_s=5.0, end_s=9.0, mark="abnormal", text="", limit="warning", joint="shoulder"
    )
    bare = _tints(_shapes(_over(text)))
    shapes = _shapes(_over(text), (alert,))
    assert _tints(shapes)[len(bare) :] == [(LIGHT.abnormal, 70, 80)]
    (ground,) = (s for s in shapes if s.get("name") == "alert" and s["yref"] == "y")
    assert (ground["x0"], ground["x1"]) == (5.0, 9.0)
    assert _tints(_shapes(_over(text), (replace(alert, joint="elbow"),))) == bare


def test_a_limit_of_one_joint_names_it():
    """Where others stand in the same row; by its pen where there is no room for the name."""
    rows = plan_rows({"shoulder": CHANNELS, "elbow": CHANNELS}, {})
    text = "format = 1\n" + _level(70).replace("channel", 'joint = "elbow"\nchannel')
    sets = [(0, parse_limits(text, "limits.toml"))]
    (line,) = limit_lines(sets, rows, dict.fromkeys(("shoulder", "elbow"), RatedValues()), 0)
    assert line.texts == ("elbow warning 70, off at 65", "elbow warning 70", "elbow 70", "70")
    assert line.pen == 2
    alone = plan_rows({"elbow": CHANNELS}, {})
    (line,) = limit_lines(sets, alone, {"elbow": RatedValues()}, 0)
    assert (line.text, line.pen) == ("warning 70, off at 65", None)


def _over(*texts: str) -> tuple[LimitLine, ...]:
    """Return the temperature lines of limits that are taken over every ten seconds."""
    rows = plan_rows({"shoulder": CHANNELS[:1]}, {})
    sets = [(at * 10 * S, parse_limits(text, "limits.toml")) for at, text in enumerate(texts)]
    return limit_lines(sets, rows, {"shoulder": RatedValues()}, 0)


def _level(at: float, severity: str = "warning", name: str = "") -> str:
    return (
        f'[[limit]]\nname = "{name or severity}"\nkind = "level"\nseverity = "{severity}"\n'
        f'channel = "temperature_housing_degC"\nabove = {at}\ndrop_off = {at - 5}\n'
    )


def test_a_line_stands_where_its_limits_held():
    """A changed level ends and another begins; what stays the same is one line throughout."""
    head, trip = "format = 1\n", _level(80, "trip")
    lines = _over(head + _level(60) + trip, head + _level(70) + trip, head + _level(60) + trip)
    told = {(line.pick_up, line.start_s, line.end_s) for line in lines}
    assert told == {
        (60.0, None, 10.0), (80.0, None, None), (70.0, 10.0, 20.0), (60.0, 20.0, None),
    }  # fmt: skip
    assert len(lines) == 4
    assert [line.pick_up for line in lines if line.is_in_force_within(12.0, 15.0)] == [80.0, 70.0]


def test_shapes_end_where_their_limits_did():
    """A line of other limits reaches to the taking over and not beyond; the newest goes on."""
    head = "format = 1\n"
    shapes = draw_annotations(
        Annotations(limits=_over(head + _level(60), head + _level(70), head)), ROWS,
        now_s=25.0, theme=LIGHT, top_px=(400.0, 5.0), px_per_s=1.0,
    )  # fmt: skip
    spans = {(s["xref"], s["x0"], s["x1"], s.get("name")) for s in shapes}
    assert spans == {("x", 0.0, 10.0, None), ("x", 10.0, 20.0, None)}
    (line,) = _over(head, head + _level(60))
    (*_, shape) = draw_annotations(
        Annotations(limits=(line,)),
        ROWS,
        now_s=25.0,
        theme=LIGHT,
        top_px=(400.0, 5.0),
        px_per_s=1.0,
    )
    assert (shape["x0"], shape["x1"], shape["name"]) == (10.0, 25.0, "open")


def test_an_alert_speaks_of_the_limits_that_raised_it():
    """Limits that were taken over later do not change what was said before."""
    head = "format = 1\n"
    sets = [(at * S, parse_limits(head + _level(level), "x")) for at, level in ((0, 60), (10, 70))]
    alerts = [
        Alert(
            number=number, limit="warning", joint="shoulder", severity="warning",
            channel="temperature_housing_degC", raised_ns=at * S, returned_ns=(at + 1) * S,
        )
        for number, at in ((1, 5), (2, 10), (3, 15))
    ]  # fmt: skip
    told = [span.text for span in alert_spans(alerts, sets, (), 0)]
    assert told == [f"shoulder housing at or above {level} °C" for level in (60, 70, 70)]
