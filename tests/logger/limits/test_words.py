"""Limits and changes in plain words."""

import pytest

from logger.limits.change import Change
from logger.limits.limit import Level, Limit, Silence
from logger.limits.words import in_words, label, sentence


def level(**keys) -> Level:
    """Return a warning on the shoulder's housing, unless said otherwise."""
    base = {"name": "warm", "severity": "warning", "joint": "shoulder"}
    return Level.model_validate({**base, "channel": "temperature_housing_degC", **keys})


WARM = level(above=70.0, drop_off=67.0, on_delay_s=5.0)
LOW = level(channel="voltage_V", below=40.5, drop_off=42, off_delay_s=90, joint=None)
HARD = level(severity="trip", channel="torque_Nm", above=18.0)
FAST = level(channel="speed_rad_s", above=3.4907, on_delay_s=600)
QUIET = Silence(name="silent", severity="warning", after_s=0.5)


@pytest.mark.parametrize(
    ("limit", "words", "short"),
    [
        (
            WARM,
            "warns when the housing of shoulder stays above 70 °C for 5 s; clears below 67",
            "housing above 70 °C",
        ),
        (
            LOW,
            "warns when the supply voltage of any joint falls to 40.5 V; clears above 42 after "
            "90 s",
            "supply voltage below 40.5 V",
        ),
        (
            HARD,
            "trips when the torque of shoulder, in either direction, reaches 18 N·m; clears below "
            "18; stays until acknowledged",
            "torque above 18 N·m",
        ),
        (
            FAST,
            "warns when the speed of shoulder stays above 200 °/s for 10 min; clears below 200",
            "speed above 200 °/s",
        ),
        (
            level(below=-10),
            "warns when the housing of shoulder falls to −10 °C; clears above −10",
            "housing below −10 °C",
        ),
        (
            level(channel="fault_code", above=1),
            "warns when the fault code of shoulder reaches 1; clears below 1",
            "fault code above 1",
        ),
        (
            QUIET,
            "warns when any joint says nothing for 0.5 s; clears with its next frame",
            "silent for 0.5 s",
        ),
    ],
)
def test_a_limit_in_words(limit, words, short):
    """A limit says what it will do, in the units that pages show."""
    assert in_words(limit) == words
    assert label(limit) == short


def change(limit: Limit, kind: str, value: float, peak: float) -> Change:
    """Return a change of a limit on the shoulder."""
    return Change(
        time_ns=0,
        limit=limit.name,
        joint="shoulder",
        severity=limit.severity,
        channel="",
        kind="raised" if kind == "raised" else "returned",
        value=value,
        onset_ns=0,
        peak=peak,
    )


@pytest.mark.parametrize(
    ("limit", "kind", "value", "peak", "said"),
    [
        (WARM, "raised", 71.0, 71.0, "shoulder: housing above 70 °C for 5 s, now 71 °C (warm)"),
        (
            WARM,
            "returned",
            66.9,
            84.25,
            "shoulder: housing back below 67 °C, now 66.9 °C, peak 84.25 °C (warm)",
        ),
        (HARD, "raised", -18.5, -18.5, "shoulder: torque above 18 N·m, now −18.5 N·m (warm)"),
        (
            LOW,
            "returned",
            43,
            38,
            "shoulder: supply voltage back above 42 V, now 43 V, lowest 38 V (warm)",
        ),
        (QUIET, "raised", 0.5, 0.5, "shoulder: silent for 0.5 s (silent)"),
        (QUIET, "returned", 2.25, 2.25, "shoulder: heard again after 2.25 s (silent)"),
    ],
)
def test_a_change_in_words(limit, kind, value, peak, said):
    """What happened is one line: joint, what, now, at worst, which limit."""
    assert sentence(change(limit, kind, value, peak), limit) == said
