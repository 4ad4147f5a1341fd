"""What has to keep right meanwhile: too quick, a clamp that gives, warmth, standing, speed."""

import numpy as np
import pytest

from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.reading import ARCMIN_RAD
from replay.measure.setup import SpanTrace
from replay.measure.watch import Watched, watch_step

T = np.arange(0.0, 20.0, 0.02)


def _watched(keep: str, *, is_open: bool = True, **series: np.ndarray) -> Watched | None:
    span = SpanTrace(
        name="now", recording="r", start_ns=0, end_ns=1,
        series={name: (T[: len(values)], values) for name, values in series.items()},
    )  # fmt: skip
    found = watch_step((keep,), span, rated=12.0, per_ampere=1.5, is_open=is_open)
    return found[0] if found else None


@pytest.mark.parametrize(
    ("keep", "series", "is_right", "words"),
    [
        ("pace", {"torque_Nm": 0.8 * T}, True, "0.2 to 2 while it ramps"),
        ("pace", {"torque_Nm": 3.0 * T}, False, "ramp at 0.2 to 2"),
        ("pace", {"current_A": 2.0 * T}, False, "Too quick"),
        ("clamp", {"position_output_rad": 0.2 * ARCMIN_RAD * np.sin(T)}, True, "stands"),
        ("clamp", {"position_output_rad": 2.4 * ARCMIN_RAD * np.sin(T)}, False, "Stop the motor"),
        ("temperature", {"temperature_winding_degC": 30.0 + 0.1 * T}, True, "below 5 K"),
        ("temperature", {"temperature_winding_degC": 30.0 + 0.5 * T}, False, "warmed meanwhile"),
        ("temperature", {"temperature_housing_degC": 60.0 - 0.5 * T}, False, "cooled meanwhile"),
        ("still", {"position_rad": np.full(len(T), 2.0)}, True, "read now"),
        ("still", {"position_rad": 0.01 * T}, False, "still moves"),
        ("steady", {"speed_rad_s": 1.0 + 0.05 * np.sin(9 * T)}, True, "even"),
        ("steady", {"speed_rad_s": 1.0 + 0.5 * np.sin(9 * T)}, False, "not even"),
    ],
)
def test_each_says_what_is_right_or_how_to_go_on(keep, series, is_right, words):
    """One rule each, on either side of what is right."""
    found = _watched(keep, **series)
    assert found is not None
    assert found.is_right is is_right
    assert words in found.words
    assert found.is_grave is (keep == "clamp" and not is_right)


def test_nothing_is_said_that_the_readings_do_not_tell():
    """No span open: no pace and no clamp; a joint that turns around has no speed of its own."""
    assert _watched("pace", is_open=False, torque_Nm=3.0 * T) is None
    assert _watched("clamp", is_open=False, position_output_rad=T) is None
    assert _watched("temperature") is None
    assert _watched("steady", speed_rad_s=np.sin(20 * T)) is None
    assert _watched("still", position_rad=T[:3]) is None


def test_every_step_names_what_is_known():
    """A step that keeps what no rule knows would fail at the bench."""
    span = SpanTrace(name="now", recording="r", start_ns=0, end_ns=1, series={})
    for procedure in PROCEDURES.values():
        for step in procedure.steps:
            assert watch_step(step.keeps, span, is_open=True) == ()
