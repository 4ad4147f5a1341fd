"""What the Heat page says is what the command says; figures are what plotly takes."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.heat.limits_in_force import default_limit_degC, temperature_limits
from dashboard.heat.load_curve import allowed_loads, curve_times_s
from dashboard.heat.trace_figure import (
    ChangeMark,
    ModelledSensor,
    SensorLevel,
    heat_trace_figure,
)
from dashboard.heat.view import HeatRules, heat_view
from dashboard.text.theme import DARK, LIGHT
from logger.joint.thermal.thermal_duty import settled_degC, time_to_temperature_s
from logger.joint.thermal.thermal_load import Node
from logger.limits.levels import LimitLevel
from logger.limits.limit import parse_limits
from replay.excursions.applied_limits import AppliedLimits
from replay.heat.borne_words import for_ever_rows
from replay.heat.evaluate import answer_heat
from replay.heat.fit import HeatFit, fit_heat
from replay.heat.neighbours import Neighbour
from replay.heat.sentence import heat_sentence
from replay.heat.trace import HeatTrace, SensorPlace
from replay.heat.words import note_lines
from replay.recording import Recording
from tests.support.findings import small_recording
from tests.support.heat_recordings import record_stepped

DEMO = Path(__file__).parents[3] / "recordings" / "demo-overheat"
LIMITS = """
format = 1
[[limit]]
name = "winding-hot"
kind = "level"
severity = "trip"
channel = "temperature_winding_degC"
above = 105.0
[[limit]]
name = "current-long"
kind = "level"
severity = "warning"
channel = "current_A"
above = 9.0
on_delay_s = 120.0
[[limit]]
name = "overload"
kind = "inverse-time"
severity = "trip"
channel = "current_A"
setting = 11.0
curve = "C"
tms = 2.0
"""


@pytest.fixture
def limited(stepped, monkeypatch: pytest.MonkeyPatch) -> tuple[Recording, HeatFit]:
    """Give the same with limits in force."""
    applied = AppliedLimits(
        limit_sets=((stepped[0].start_ns, parse_limits(LIMITS, "limits")),), alerts=()
    )
    monkeypatch.setattr("dashboard.heat.limits_in_force.recorded_limits", lambda _: applied)
    return stepped


def test_page_and_command_say_the_same(stepped):
    """One sentence, one set of numbers; the answer is JSON."""
    recording, fit = stepped
    view = heat_view(recording, fit, HeatRules(ambient_degC=25.0, limit_degC=100.0), theme=LIGHT)
    result = answer_heat(fit, limit_degC=100.0, reference_degC=25.0)
    assert view["copy"] == heat_sentence(result)
    assert [name for name, _, _ in view["quantities"]]
    assert view["cautions"]
    json.dumps(view, allow_nan=False)


def test_a_room_as_warm_as_the_limit_is_said_and_not_drawn(stepped):
    """The sliders can be set so; they stay, for it is told that nothing is borne."""
    rules = HeatRules(ambient_degC=50.0, limit_degC=45.0)
    alone = replace(stepped[1], read=replace(stepped[1].read, trace=_housing_only(stepped[1])))
    view = heat_view(stepped[0], alone, rules, theme=LIGHT)
    assert "carries nothing" in view["copy"]
    assert view["answered"]
    assert view["curve"] is view["table"] is view["ladder"] is None


def _housing_only(fit: HeatFit) -> HeatTrace:
    trace = fit.read.trace
    kept = tuple(one for one in trace.sensors if one.place is not SensorPlace.WINDING)
    return replace(trace, sensors=kept)


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_figures_are_drawn(stepped, theme):
    """By plotly's own check, wide and narrow."""
    recording, fit = stepped
    for is_narrow in (False, True):
        view = heat_view(recording, fit, HeatRules(), theme=theme, is_narrow=is_narrow)
        for name in ("curve", "truth"):
            go.Figure(view[name])


def test_the_curve_is_the_model(stepped):
    """Each point of the line from cold lasts as long as its place says."""
    recording, fit = stepped
    view = heat_view(recording, fit, HeatRules(limit_degC=110.0), theme=LIGHT)
    line = next(
        one for one in view["curve"]["data"] if one.get("hovertemplate", "").startswith("from cold")
    )
    joint = fit.joints[0]
    cold = settled_degC(joint, mean_square_A2=0.0, ambient_degC=40.0)
    for time_s, load in list(zip(line["x"], line["y"], strict=True))[:30:6]:
        expected = time_to_temperature_s(
            joint,
            node=Node.WINDING,
            limit_degC=110.0,
            mean_square_A2=(load / fit.load_factor) ** 2,
            start_degC=cold,
            ambient_degC=40.0,
        )
        assert expected == pytest.approx(time_s, rel=0.01)


def test_the_ladder_adds_up(stepped):
    """At the load for ever: winding at its limit, drops down to the ambient."""
    recording, fit = stepped
    ladder = heat_view(recording, fit, HeatRules(limit_degC=110.0), theme=LIGHT)["ladder"]
    winding, housing = ladder["nodes"]
    assert winding["degC"] == pytest.approx(110.0, abs=0.01)
    drops = [float(one["drop"].split()[-2]) for one in ladder["resistances"]]
    assert sum(drops) == pytest.approx(110.0 - 40.0, abs=1.0)
    assert housing["degC"] == pytest.approx(110.0 - drops[0], abs=1.0)
    assert all(node["beam"] for node in ladder["nodes"])


def test_limits_in_force_lie_over_it(limited):
    """Those on the load as curves in torque; where they allow too much it is told and tinted."""
    recording, fit = limited
    assert default_limit_degC(recording, fit) == (105.0, "winding-hot")
    times = curve_times_s(fit)
    loads = {one.name: one.load for one in allowed_loads(recording, fit, times)}
    assert set(loads) == {"current-long", "overload"}
    held = loads["current-long"]
    assert math.isinf(held[times <= 120.0].min())
    assert held[times > 120.0] == pytest.approx(9.0 * 1.5)
    # IEC 60255-151 curve C (extremely inverse): t = TMS 80 / (M^2 - 1).
    overload = loads["overload"] / 1.5 / 11.0
    inside = (overload < 15.0) & (overload > 1.03)
    assert 2.0 * 80.0 / (overload[inside] ** 2 - 1.0) == pytest.approx(times[inside], rel=0.02)
    view = heat_view(recording, fit, HeatRules(), theme=LIGHT)
    assert view["rules"]["limit"]["from"] == "as the limit winding-hot has it"
    assert view["table"]["columns"][-1]["head"] == "limits in force allow at most, min"
    low = heat_view(recording, fit, HeatRules(limit_degC=60.0), theme=LIGHT)
    assert any("too long" in row["cells"][-1][1] for row in low["table"]["rows"])
    tinted = [one for one in low["curve"]["data"] if "rgba(179,0,31" in one.get("fillcolor", "")]
    assert len(tinted) == 1


def test_what_is_beyond_a_peak_is_faint_and_said(stepped, tmp_path: Path):
    """In the curve, and in the table by a line before the first such row; the peak has a row."""
    fit = stepped[1]
    claimed = small_recording(tmp_path / "r", settings="claims = { peak_torque_Nm = 24.0 }\n")
    view = heat_view(claimed, fit, HeatRules(limit_degC=110.0), theme=LIGHT)
    table = view["table"]
    loads = [float(row["cells"][0][0]) for row in table["rows"]]
    assert 24.0 in loads
    assert [(one["words"], loads[one["before"] - 1]) for one in table["lines"]] == [
        ("more than was ever recorded: 18 N·m", max(load for load in loads if load <= 18.0)),
        ("beyond the stated peak of 24 N·m", 24.0),
    ]
    beyond = {
        load: row["beyond"].partition(":")[0]
        for load, row in zip(loads, table["rows"], strict=True)
    }
    assert beyond[loads[0]] == ""
    assert beyond[24.0] == "more than was ever recorded"
    assert beyond[loads[-1]] == "beyond the stated peak of 24 N·m"
    veil, *dashed = view["curve"]["layout"]["shapes"]
    assert veil["y0"] == pytest.approx(18.0)
    assert [one["y0"] for one in dashed] == pytest.approx([18.0, 24.0])
    go.Figure(view["curve"])


def test_the_table_compares_at_a_glance(stepped):
    """One unit for all times, the current beside each torque; turning and holding side by side."""
    recording, fit = stepped
    view = heat_view(recording, fit, HeatRules(limit_degC=110.0), theme=LIGHT)
    columns = view["table"]["columns"]
    assert [one["head"] for one in columns[:2]] == ["N·m", "A"]
    assert {one["head"].rpartition(", ")[2] for one in columns[2:]} == {"min"}
    for row in view["table"]["rows"]:
        torque, current = (float(value) for value, _ in row["cells"][:2])
        assert torque == pytest.approx(1.5 * current, rel=0.005)
    result = answer_heat(fit, limit_degC=110.0)
    assert view["for_ever"]["rows"] == for_ever_rows(result)
    at = next(one for one in result.for_ever if one.ambient_degC == 40.0)
    both = [float(one) for one in view["rules"]["both"].split() if one[0].isdigit()]
    assert both == pytest.approx([at.rotating[0], at.holding[0]], rel=1e-3)
    still = heat_view(recording, fit, HeatRules(limit_degC=110.0, is_holding=True), theme=LIGHT)
    assert still["rules"]["both"] == view["rules"]["both"]


def test_temperature_limits_lie_over_the_trace(limited):
    """Those on a temperature that was read; one far from the trace is named at the edge."""
    recording, fit = limited
    found = temperature_limits(recording, fit)
    assert [(one.name, one.place, one.level.pick_up) for one in found] == [
        ("winding-hot", "winding", 105.0)
    ]
    layout = heat_view(recording, fit, HeatRules(), theme=LIGHT)["truth"]["layout"]
    # With the housing in the same figure a tint of the winding's would lie over its trace.
    (line,) = layout["shapes"]
    assert line["y0"] == 105.0
    assert layout["yaxis"]["range"][1] > 105.0
    assert "winding trip 105" in [one["text"] for one in layout["annotations"]]
    sensor = ModelledSensor(
        name="housing",
        at_s=np.array([0.0, 60.0]),
        measured_degC=np.array([63.0, 65.0]),
        modelled_degC=np.array([63.0, 65.0]),
        break_before=np.zeros(2),
    )
    levels = [
        SensorLevel(
            place="housing",
            level=LimitLevel(
                severity=severity,
                channel="temperature_housing_degC",
                is_rising=True,
                pick_up=at,
                drop_off=None,
            ),
        )
        for severity, at in (("warning", 70.0), ("trip", 75.0), ("trip", 190.0))
    ]
    changes = [ChangeMark(name="00:36:24", at_s=(30.0, 20.0, 40.0))]
    figure = heat_trace_figure([sensor], levels, changes, pen=1, theme=LIGHT)
    go.Figure(figure)
    spans = [(one["x0"], one["x1"]) for one in figure["layout"]["shapes"] if one["yref"] == "paper"]
    assert spans == [(20.0, 40.0), (30.0, 30.0)]
    low, high = figure["layout"]["yaxis"]["range"]
    assert low < 63.0
    assert 75.0 < high < 100.0
    tints = [
        (one["y0"], one["y1"])
        for one in figure["layout"]["shapes"]
        if one["yref"] == "y" and one["type"] == "rect"
    ]
    assert tints == [(70.0, 75.0), (75.0, high)]
    texts = [one["text"] for one in figure["layout"]["annotations"]]
    assert texts[:4] == ["trip 75", "warning 70", "↑ trip 190", "00:36:24"]


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> list[Recording]:
    """Give two hours of load steps as two recordings, ten minutes apart, housing and room."""
    folder = tmp_path_factory.mktemp("parts")
    return [
        record_stepped(folder / name, winding=False, part=part)[0]
        for name, part in (("first", slice(0, 3000)), ("second", slice(3600, 7200)))
    ]


def test_several_recordings_are_one_fit(parts):
    """Said in the sentence; what is drawn over the model is the recording that is open."""
    first, second = parts
    fit = fit_heat([second, first], "a")
    view = heat_view(second, fit, HeatRules(), theme=LIGHT)
    assert "; from 2 recordings, 1.8 h." in view["copy"]
    assert "in 2 recordings, drawn the one that is open" in view["truth_note"]
    for recording in parts:
        truth = heat_view(recording, fit, HeatRules(), theme=LIGHT)["truth"]
        drawn = [one for one in truth["data"][0]["x"] if one is not None]
        lasts_s = (recording.end_ns - recording.start_ns) / 1e9
        assert 0.0 <= min(drawn) < 60.0
        assert lasts_s - 60.0 < max(drawn) <= lasts_s


def test_joints_that_warm_it_are_named_by_their_labels(stepped):
    """On the page as in the command; where there is none, the page says nothing."""
    recording, fit = stepped
    assert heat_view(recording, fit, HeatRules(), theme=LIGHT)["neighbours"] == []
    warmed = replace(
        fit,
        labels={"a": "Left knee", "b": "Left hip"},
        neighbours=(Neighbour(joint="b", K_per_K=(0.21, 0.15, 0.27), gain=20.0),),
    )
    view = heat_view(recording, warmed, HeatRules(), theme=LIGHT)
    (line,) = view["neighbours"]
    assert line in [*note_lines(answer_heat(warmed))]
    assert "the housing of Left hip: 0.21 (0.15 to 0.27) K" in line
    assert view["copy"].startswith("Left knee carries ")


def test_rules_are_kept_in_range(stepped):
    """An address may say anything."""
    recording, fit = stepped
    rules = HeatRules(ambient_degC=-400.0, limit_degC=1e9, is_holding=True)
    view = heat_view(recording, fit, rules, theme=LIGHT)
    assert view["rules"]["ambient"]["value"] == 0.0
    assert view["rules"]["limit"]["value"] == 160.0
    assert view["rules"]["holding"] is True


@pytest.mark.slow
def test_a_change_on_the_way_gives_no_load(tmp_path: Path):
    """The shipped recording, whose fan failed: no curve and no number of what it bears."""
    recording = Recording.open(DEMO)
    view = heat_view(recording, fit_heat([recording], "shoulder"), HeatRules(), theme=LIGHT)
    assert view["curve"] is None
    assert view["table"] is None
    assert "changed" in view["copy"]
    assert [what for what, _ in view["unknown"]] == ["what the joint bears"]
    assert len(view["changes"]) == 2
    layout = view["truth"]["layout"]
    marks = [one["x0"] for one in layout["shapes"] if one["type"] == "line" and one["x0"]]
    assert marks == pytest.approx([31.4 * 60, 39.5 * 60], abs=30.0)
    names = [one["text"] for one in layout["annotations"] if one["xref"] == "x"]
    assert [when[11:19] for when, _ in view["changes"]] == names
    assert all(
        "which this trace cannot tell apart" in what or "cooling" in what
        for _, what in view["changes"]
    )
    assert np.isfinite([one for one in view["truth"]["data"][0]["y"] if one is not None]).all()
