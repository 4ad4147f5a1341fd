"""What the Heat page says is what the command says; figures are what plotly takes."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.heat.load_curve import allowed_loads, curve_times_s, default_limit_degC
from dashboard.heat.view import HeatRules, heat_view
from dashboard.text.theme import DARK, LIGHT
from logger.joint.thermal.thermal_duty import settled_degC, time_to_temperature_s
from logger.joint.thermal.thermal_load import Node
from logger.limits.limit import parse_limits
from replay.excursions.applied_limits import AppliedLimits
from replay.heat.evaluate import answer_heat
from replay.heat.fit import HeatFit, fit_heat
from replay.heat.neighbours import Neighbour
from replay.heat.sentence import heat_sentence
from replay.heat.trace import HeatTrace, SensorPlace
from replay.heat.words import note_lines
from replay.recording import Recording
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
    monkeypatch.setattr("dashboard.heat.load_curve.recorded_limits", lambda _: applied)
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
    assert view["table"]["head"][-1] == "limits in force allow"
    low = heat_view(recording, fit, HeatRules(limit_degC=60.0), theme=LIGHT)
    assert any("too long" in row[-1] for row in low["table"]["rows"])
    tinted = [one for one in low["curve"]["data"] if "rgba(179,0,31" in one.get("fillcolor", "")]
    assert len(tinted) == 1


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
    assert all(
        "which this trace cannot tell apart" in what or "cooling" in what
        for _, what in view["changes"]
    )
    assert np.isfinite([one for one in view["truth"]["data"][0]["y"] if one is not None]).all()
