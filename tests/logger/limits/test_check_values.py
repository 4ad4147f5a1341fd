"""Limits against numbers worked elsewhere, by code that shares nothing with this project.

No paid standard was opened: each check names its source and how far it was seen. "Second-hand" is
read in a rendering (open code, a paper, a quoted clause), "from memory" in none.
"""

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.limits.evaluate import evaluate, initial_state, plan_limits
from logger.limits.limit import LimitSet, parse_limits

S = 1_000_000_000
CURRENT, HOUSING, AMBIENT = "current_A", "temperature_housing_degC", "temperature_ambient_degC"


def run(keys: str, time_s, **columns):
    """Return the changes and the state of one limit over readings at these seconds."""
    text = f'format = 1\n[[limit]]\nname = "x"\nseverity = "trip"\n{keys}'
    time_ns = np.round(np.asarray(time_s) * S).astype(np.int64)
    batch = ReadingBatch(
        joint="a",
        time_ns=time_ns,
        position_segment=np.zeros(len(time_ns), np.int32),
        columns={name: np.array(values, np.float64) for name, values in columns.items()},
    )
    plan = plan_limits(
        LimitSet(limits=parse_limits(text, "limits.toml").limits),
        joint="a",
        hold_ns=dict.fromkeys((CURRENT, HOUSING, AMBIENT), 10**15),
    )
    return evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=int(time_ns[-1]))


def operates_s(keys: str, profile: list[tuple[float, float]], *, until_s: float) -> float:
    """Return when a limit operates on (since s, current) steps, readings 1 ms apart."""
    time_s = np.arange(0, until_s, 1e-3)
    since, size = zip(*profile, strict=True)
    current = np.array(size)[np.searchsorted(since, time_s + 1e-6, "right") - 1]
    changes, _ = run(keys, time_s, **{CURRENT: current})
    return changes[0].time_ns / S


@pytest.mark.parametrize(
    ("curve", "tms", "profile", "keys", "expected_s"),
    [
        # Constant current: k, c, alpha of four independent tables (IEC 60255-151, second-hand).
        ("A", 1.0, [(0, 2)], "", 10.0290270),
        ("A", 0.1, [(0, 5)], "", 0.427972007),
        ("A", 1.0, [(0, 20)], "", 2.26735637),
        # Flat above 20 x the setting (second-hand).
        ("A", 1.0, [(0, 30)], "", 2.26735637),
        ("B", 0.5, [(0, 2)], "", 6.75),
        ("B", 0.5, [(0, -3)], "", 3.375),
        ("C", 1.0, [(0, 4)], "", 5.33333333),
        ("C", 0.2, [(0, 10)], "", 0.161616162),
        ("D", 1.0, [(0, 2)], "", 3.80324923),
        ("E", 1.0, [(0, 3)], "", 2.94225),
        ("F", 0.3, [(0, 5)], "", 0.38901),
        # Varying current: the integral of dt / t reaches 1 (from memory, the usual practice).
        ("C", 0.5, [(0, 2), (5, 4)], "", 6.66666667),
        ("A", 0.2, [(0, 3), (0.5, 1.5), (0.9, 6)], "", 1.27372568),
        ("B", 1.0, [(0, 2), (6, 0.5), (9, 2)], "", 22.5),
        ("B", 1.0, [(0, 2), (6, 0.5), (9, 2)], 'reset = "held"\n', 16.5),
        # Dependent reset: its form second-hand, 21.6 s of curve E from memory.
        ("E", 1.0, [(0, 2), (4, 0.5), (9, 2)], 'reset = "dependent"\n', 13.2477477),
    ],
)
def test_inverse_time_operates_when_the_standard_says(curve, tms, profile, keys, expected_s):
    """At the reading, one in a millisecond, that completes the time."""
    keys = (
        f'kind = "inverse-time"\nchannel = "{CURRENT}"\ncurve = "{curve}"\ntms = {tms}\n'
        f"setting = 4.0\n{keys}"
    )
    found_s = operates_s(keys, [(t, 4.0 * m) for t, m in profile], until_s=expected_s + 1)
    assert expected_s - 1e-6 <= found_s <= expected_s + 1.001e-3


def test_the_integral_of_a_dependent_reset():
    """Curve E at 2x for 4 s, 0.5x for 5 s: 0.395567848 is left (21.6 s from memory)."""
    keys = (
        f'kind = "inverse-time"\nchannel = "{CURRENT}"\ncurve = "E"\nsetting = 1.0\n'
        'reset = "dependent"\n'
    )
    _, state = run(keys, [0, 4, 9], **{CURRENT: [2, 0.5, 0.5]})
    assert state.memories["x"].integral == pytest.approx(0.395567848, abs=1e-9)


@pytest.mark.parametrize(
    ("curve", "multiple", "full_s"),
    [("D", 0.0, 4.85), ("D", 0.5, 6.46666667), ("E", 0.5, 28.8), ("F", 0.9, 153.157895)],
)
def test_a_full_reset_takes_its_time(curve, multiple, full_s):
    """From just below full to nothing (form second-hand, t_r of D to F from memory)."""
    keys = (
        f'kind = "inverse-time"\nchannel = "{CURRENT}"\ncurve = "{curve}"\nsetting = 1.0\n'
        'reset = "dependent"\n'
    )
    k, c = {"D": (0.0515 / (3**0.02 - 1), 0.114), "E": (19.61 / 8, 0.491), "F": (28.2 / 8, 0.1217)}[
        curve
    ]
    half_s = (k + c) / 2
    times = [0, half_s, half_s + full_s / 4]
    _, state = run(keys, times, **{CURRENT: [3, multiple, multiple]})
    assert state.memories["x"].integral == pytest.approx(0.25, abs=1e-8)


THERMAL = f'kind = "thermal"\nchannel = "{CURRENT}"\nbasic = 10.0\nk = 1.05\nheating_s = 600.0\n'


@pytest.mark.parametrize(("step_s", "readings"), [(0.1, 1935), (1, 194), (10, 20)])
def test_the_thermal_image_operates_at_the_first_reading_that_is_full(step_s, readings):
    """20 A on 10 A, k 1.05, 600 s: 193.467639 s cold (IEC 60255-149, second-hand)."""
    time_s = np.arange(0, 300, step_s)
    changes, _ = run(THERMAL, time_s, **{CURRENT: np.full(len(time_s), 20.0)})
    assert changes[0].time_ns == round(readings * step_s * S)


@pytest.mark.parametrize(
    ("preload", "expected_s"), [(0.0, 193.467639), (8.0, 88.8556066), (10.0, 20.8583955)]
)
def test_the_hot_curve(preload, expected_s):
    """Behind a long preload the time is that of the hot curve (follows from the image)."""
    since_s = 60_000.0
    time_s = np.concatenate(([0.0], since_s + np.arange(0, 250, 1e-2)))
    current = np.concatenate(([preload], np.full(25_000, 20.0)))
    changes, _ = run(THERMAL, time_s, **{CURRENT: current})
    found_s = changes[0].time_ns / S - since_s
    assert expected_s - 1e-6 <= found_s <= expected_s + 0.01001


def level_after(keys: str, time_s, current, **columns) -> float:
    """Return the image at the last reading."""
    return run(keys, time_s, **{CURRENT: current}, **columns)[1].memories["x"].level


def test_the_image_over_a_profile():
    """Exact at each reading, whatever lies between them (derived from the image)."""
    for n, level in ((1, 0.00604182694), (10, 0.0599675145), (60, 0.345261068)):
        assert level_after(THERMAL, range(n + 1), [20.0] * (n + 1)) == pytest.approx(level)
    profile = [15.0, 0.0, 30.0, 30.0]
    for n, level in ((2, 0.369937239), (3, 0.334733056), (4, 0.716535079)):
        found = level_after(THERMAL, [0, 120, 180, 210][:n], profile[:n])
        assert found == pytest.approx(level, rel=1e-8)
    assert level_after(THERMAL, [0, 60_000], [10.4, 10.4]) == pytest.approx(0.981043084)


def test_cooling_has_its_own_constant():
    """1.0 to 0.5 with 1200 s takes 831.776617 s at rest (derived; the constant is a setting)."""
    keys = THERMAL + "cooling_s = 1200.0\n"
    times = [0, 193.467639, 193.467639 + 831.776617]
    assert level_after(keys, times, [20.0, 0.0, 0.0]) == pytest.approx(0.5, abs=1e-8)


@pytest.mark.parametrize(("ambient", "factor"), [(25, 0.884615385), (60, 1.21052632), (40, 1.0)])
def test_the_ambient_factor(ambient, factor):
    """T_max 155 degC: what the current heats is multiplied so (from memory)."""
    found = level_after(
        THERMAL + "most_degC = 155.0\n", [0, 60_000], [10.0, 10.0], **{AMBIENT: [ambient] * 2}
    )
    assert found == pytest.approx(factor / 1.05**2)


@pytest.mark.parametrize(
    ("contact_s", "degC", "exceeds"),
    [
        # 48 degC for 10 min and 43 for 8 h second-hand, 51 for 1 min and the band from memory.
        (60, 50.9, False),
        (60, 51.0, True),
        (60, 51.1, True),
        (600, 47.5, False),
        (28800, 44.0, True),
        (1, 66.0, True),
    ],
)
def test_burn_thresholds(contact_s, degC, exceeds):  # noqa: N803 - the unit's own spelling
    """After ISO 13732-1, bare metal; at a threshold it counts, as every level does."""
    changes, _ = run(f'kind = "touch"\ncontact_s = {contact_s}.0\n', [0], **{HOUSING: [degC]})
    assert bool(changes) == exceeds


@pytest.mark.parametrize(
    ("keys", "on_off"),
    [
        ("", [10, 20, 30, 50, 80, 90]),
        ("inside = [-1000.0, 98.0]\n", [10, 70, 80, 90]),
        ("inside = [-1000.0, 98.0]\non_delay_s = 10.0\n", [40, 70]),
        ("inside = [-1000.0, 98.0]\non_delay_s = 20.0\noff_delay_s = 20.0\n", []),
    ],
)
def test_outside_keeps_the_rules_of_alarm_management(keys, on_off):
    """The worked trace of ISA-18.2 / IEC 62682 (second-hand: OPC 10000-9, B.1.5), two-sided."""
    values = [95, 101, 99.5, 102, 103, 99, 98.2, 97.9, 101, 97]
    text = f'kind = "level"\nchannel = "{HOUSING}"\noutside = [-2000.0, 100.0]\n{keys}'
    changes, _ = run(text, range(0, 100, 10), **{HOUSING: values})
    assert [change.time_ns // S for change in changes] == on_off
