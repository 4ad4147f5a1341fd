"""Estimates and forecasts in the recording: the same rows in any batches, near the truth."""

from dataclasses import replace

import numpy as np
import pytest

from dashboard.figures.annotations import note_lines
from logger.event_kind import EventKind
from logger.notify.message import MessageSource, matches_target, message_payload, message_text
from logger.notify.settings import NotifySettings
from logger.store.layout.files import course_stream, derived_stream, forecast_stream
from tests.support.forecast_recording import START_NS, record_forecast
from tests.support.observed_joint import SECOND_NS, observed_joint

END_NS = 2**62


def _rows(recording, stream):
    return recording.read_rows(stream("a"), start_ns=0, end_ns=END_NS).to_pylist()


@pytest.fixture(scope="module")
def heated(tmp_path_factory):
    """Give a joint that rested and then holds 9 A, for ten minutes, and its recording."""
    current = np.concatenate([np.full(200, 1.0), np.full(600, 9.0)])
    run = observed_joint(11, current, winding=False)
    path = tmp_path_factory.mktemp("heat")
    level = float(np.rint(run.truth_degC[-1, 1])) - 2.0
    return run, record_forecast(path / "one", run, warning=level, trip=200.0), level, path


def test_any_batches_give_the_same_rows(heated):
    """Fed 5 s or 17.3 s at a time, each second and each forecast is the same."""
    run, recording, level, path = heated
    other = record_forecast(path / "other", run, batch_s=17.3, warning=level, trip=200.0)
    for stream in (derived_stream, course_stream, forecast_stream):
        assert _rows(other, stream) == _rows(recording, stream)


def test_the_winding_that_nobody_reads_is_written(heated):
    """Once a second, with its uncertainty; above the housing under a load."""
    run, recording, *_ = heated
    rows = _rows(recording, derived_stream)
    assert len(rows) == len(run.current_A)
    late = rows[400:]
    off = [
        row["winding_estimated_degC"] - run.truth_degC[400 + at + 1, 0]
        for at, row in enumerate(late)
    ]
    assert np.sqrt(np.mean(np.square(off))) < 0.15 * np.ptp(run.truth_degC[:, 0])
    assert all(0.1 < row["winding_uncertainty_K"] < 2.0 for row in late)
    assert late[-1]["winding_estimated_degC"] > late[-1]["housing_estimated_degC"]


def test_a_held_load_is_forecast(heated):
    """Two minutes behind the corner: the time to the level is held by its band."""
    run, recording, level, _ = heated
    reached = int(np.flatnonzero(run.readings["temperature_housing_degC"] >= level)[0]) + 1
    at_ns = START_NS + 320 * SECOND_NS
    rows = [row for row in _rows(recording, forecast_stream) if row["level_degC"] == level]
    (row,) = [one for one in rows if int(one["time"].timestamp()) == at_ns // SECOND_NS]
    assert row["is_rising"]
    assert row["soonest_s"] <= reached - 320
    assert row["latest_s"] is None or reached - 320 <= row["latest_s"]
    assert row["probability"] > 0.5


def test_a_joint_without_a_model_has_no_forecast(heated):
    """Its recording has no such streams, and no estimates."""
    run, _, _, path = heated
    plain = record_forecast(path / "plain", run, model=False)
    assert forecast_stream("a") not in plain.schemas
    assert all(row["housing_estimated_degC"] is None for row in _rows(plain, derived_stream))


def test_leaving_the_model_is_an_event_and_so_is_the_way_back(tmp_path):
    """A sensor that comes off for a while: one of each, the same in batches of any size."""
    quiet = observed_joint(11, np.tile(np.repeat([2.0, 6.0], 150), 27), winding=False)
    housing = quiet.readings["temperature_housing_degC"].copy()
    housing[2400:3000] -= np.linspace(0.0, 25.0, 600).round()
    housing[3000:3600] -= 25.0
    run = replace(quiet, readings={**quiet.readings, "temperature_housing_degC": housing})
    told, marked = [], []
    for batch_s in (5.0, 17.3):
        path = tmp_path / f"by-{batch_s}"
        recording = record_forecast(path, run, batch_s=batch_s, forecasts=False)
        kinds = {EventKind.MODEL_LEFT, EventKind.MODEL_HOLDS_AGAIN}
        told.append([one for one in recording.read_events() if one.kind in kinds])
        lines = note_lines(recording.read_events(), START_NS, {"a": "Left knee"})
        marked.append([one.text for one in lines])
    left, back = told[0]
    assert (left.kind, back.kind) == (EventKind.MODEL_LEFT, EventKind.MODEL_HOLDS_AGAIN)
    assert 2400 < (left.time_ns - START_NS) // SECOND_NS < 3600
    assert back.duration_s == (back.time_ns - left.time_ns) / SECOND_NS
    assert np.isnan(left.duration_s)
    assert marked[0] == [
        "Left knee left its model of heat",
        "Left knee within its model of heat again",
    ]
    assert left.joint == back.joint == "a"
    assert left.text.startswith("a has left its model of heat")
    # Who asked to be told of one is told of that one, whatever severity else counts.
    wants = NotifySettings.model_validate(
        {"format": 1, "command": [{"name": "t", "run": ["t"], "least": "trip", "of": [left.kind]}]}
    )
    (target,) = wants.all_targets
    assert [matches_target(target, one) for one in (left, back)] == [True, False]
    sent = message_text(message_payload(back, MessageSource(recording="r", labels={"a": "a"})))
    assert sent.startswith("Model holds again: a is within its model of heat again, after")
    assert [(one.kind, one.time_ns) for one in told[1]] == [
        (one.kind, one.time_ns) for one in told[0]
    ]


def test_a_joint_that_keeps_its_model_has_no_such_event(heated):
    """Ten quiet minutes."""
    kinds = {one.kind for one in heated[1].read_events()}
    assert not kinds & {EventKind.MODEL_LEFT, EventKind.MODEL_HOLDS_AGAIN}
