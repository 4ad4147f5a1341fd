"""What the Heat page shows of a load is what the command tells; figures are what plotly takes."""

import json
from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.heat.duty_view import duty_view
from dashboard.text.theme import DARK, LIGHT
from logger.joint.quantities import DISPLAYS
from logger.joint.thermal.thermal_load import Node
from replay.duty.allowed import tightest_window
from replay.duty.evaluate import evaluate_duty
from replay.duty.result import AllowedLoad, HeldAgainst, ModelLimit, ModelSource
from replay.duty.sentence import duty_sentence
from tests.support.heat_recordings import START_NS, S, record_channels


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Give two minutes of cycles, and their account held against what a joint would hold."""
    time_s = np.arange(1200) / 10.0
    torque = np.where(time_s % 4.0 < 2.0, 8.0, 0.5)
    recording = record_channels(
        tmp_path_factory.mktemp("duty") / "r",
        START_NS + np.round(time_s * S).astype(np.int64),
        {
            "torque_Nm": torque,
            "speed_rad_s": np.where(time_s % 4.0 < 1.0, 1.0, -1.0),
            "temperature_housing_degC": np.rint(50.0 + 5.0 * np.sin(time_s / 8.0)),
        },
        settings="rated = { torque = 7.0 }\nclaims = { peak_torque_Nm = 12.0 }",
    )
    account = evaluate_duty(recording, "a")
    allowed = tuple(
        AllowedLoad(window_s=one.window_s, load=(5.5 + k, 5.0 + k, 6.0 + k))
        for one in account.windows
        for k in (40.0 / one.window_s,)
    )
    held = replace(
        account,
        allowed=allowed,
        tightest=tightest_window(account.windows, allowed, None),
        limit=ModelLimit(
            node=Node.WINDING, limit_degC=110.0, ambient_degC=22.0, ambient_is_idle=False
        ),
    )
    return recording, account, held


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_figures_are_drawn(told, theme):
    """By plotly's own check, with and without a model; the answer is JSON."""
    recording, account, held = told
    for one in (account, held):
        view = duty_view(recording, one, speed=DISPLAYS["speed"], theme=theme)
        go.Figure(view["curve"])
        go.Figure(view["map"])
        assert view["copy"] == duty_sentence(one)
        assert [row[0] for row in view["ranges"]] == ["load", "housing"]
        json.dumps(view, allow_nan=False)


def test_what_it_holds_by_heat_alone_is_said(told):
    """A load for a second that is beyond the stated peak, or more than was recorded, and no other.

    As fields of the account as well.
    """
    recording, _, held = told
    rows = {
        row[0]: row[2]
        for row in duty_view(recording, held, speed=DISPLAYS["speed"], theme=LIGHT)["windows"]
    }
    assert rows["1 s"].endswith(", by heat alone: beyond the stated peak of 12 N·m")
    assert rows["10 s"].endswith(", by heat alone: more than was ever recorded: 8 N·m")
    assert "by heat alone" not in rows["60 s"]
    answer = held.to_json()
    assert [(one["source"], one["load"]) for one in answer["peaks"]] == [
        ("recorded", 8.0),
        ("claim", 12.0),
    ]
    assert answer["windows"][0]["allowed_beyond"] == ["claim", "recorded"]
    assert answer["windows"][-1]["allowed_beyond"] == []


def test_the_curve_is_the_account(told):
    """Each window at its place; red only where more was carried than is held."""
    recording, account, held = told
    view = duty_view(recording, held, speed=DISPLAYS["speed"], theme=LIGHT)
    carried = next(
        one for one in view["curve"]["data"] if "carried" in one.get("hovertemplate", "")
    )
    assert carried["x"] == [one.window_s for one in account.windows]
    assert carried["y"] == pytest.approx([one.rms for one in account.windows], rel=1e-3)
    red = [one for one in view["curve"]["data"] if "rgba(179,0,31" in one.get("fillcolor", "")]
    assert len(red) == any(
        one.rms > limit.load[0] for one, limit in zip(account.windows, held.allowed, strict=True)
    )
    assert held.tightest.against is HeldAgainst.MODEL
    begin_s, end_s = view["tightest"]
    assert end_s - begin_s == held.tightest.window.window_s


def test_the_map_has_an_area_for_each_share(told):
    """In the reader's unit of speed; the largest square is where most of the time went."""
    recording, account, _ = told
    marks = duty_view(recording, account, speed=DISPLAYS["speed"], theme=LIGHT)["map"]["data"][0]
    assert sum(marks["customdata"]) == pytest.approx(100.0, rel=0.02)
    sizes, shares = np.array(marks["marker"]["size"]), np.array(marks["customdata"])
    assert sizes[np.argmax(shares)] == sizes.max()
    assert (sizes / sizes.max()) ** 2 == pytest.approx(shares / shares.max(), abs=0.05)


def test_without_a_model_cautions_stand_with_the_load(told):
    """Where heat tells none of them they are here."""
    recording, account, held = told
    bare, beside = (
        duty_view(recording, one, speed=DISPLAYS["speed"], theme=LIGHT)["notes"]
        for one in (account, held)
    )
    assert any("safety function" in line for line in bare)
    assert not any("safety function" in line for line in beside)
    assert any("no life" in line for line in beside)


def test_another_recording_is_named_wherever_its_model_is_used(told):
    """In the sentence, under the figure and in the notes, with its date."""
    recording, _, held = told
    own = duty_view(recording, held, speed=DISPLAYS["speed"], theme=LIGHT)
    limit = replace(held.limit, fitted_to=(ModelSource("soak", START_NS),))
    view = duty_view(recording, replace(held, limit=limit), speed=DISPLAYS["speed"], theme=LIGHT)
    named = "soak of 2026-11-18"
    assert named in view["copy"]
    assert named in view["curve_note"]
    assert any(named in one for one in view["notes"])
    assert len(view["notes"]) > 1 + len(own["notes"])  # the page's own fit may say no caution
    assert "fitted to" not in own["curve_note"]
