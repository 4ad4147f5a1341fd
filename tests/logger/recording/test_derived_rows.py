"""Estimates and forecasts in the recording: the same rows in any batches, near the truth."""

import numpy as np
import pytest

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
