"""Every short cut of the sweep tells what the evaluator tells that runs live, to the nanosecond."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import LimitSet, parse_limits
from logger.store.layout.events import Event
from replay.evaluation.alert_arrays import to_alert_arrays, to_state_changes
from replay.evaluation.full_evaluation import evaluate_rows
from replay.evaluation.level_alerts import level_alerts
from replay.evaluation.tasks import evaluate_limits
from replay.evaluation.thermal_alerts import thermal_alerts
from replay.evaluation.thermal_moments import supports_moments
from replay.excursions.over_rows import evaluate_joint
from replay.recording import Recording
from tests.support.alerts import same_alerts
from tests.support.depth import examples

S = 1_000_000_000
START_NS = 1_795_000_000 * S + 123_456_789
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 4
hold_s = 0.5
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
signed = true
scale = 0.01
[[frame.value]]
channel = "torque_Nm"
byte = 2
bits = 16
signed = true
scale = 0.01
[[frame]]
name = "p"
identifier = 3
length = 2
hold_s = 0.3
[[frame.value]]
channel = "torque_setpoint_Nm"
byte = 0
bits = 16
signed = true
scale = 0.01
[[frame]]
name = "t"
identifier = 2
length = 2
hold_s = 3.0
[[frame.value]]
channel = "temperature_housing_degC"
byte = 0
bits = 16
signed = true
scale = 0.1
"""
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {"l": LAYOUT},
    where="bench.toml",
)
LENGTH_S = 900


class _WentOn(Recording):
    """A recording that went on twice, after some time without a recorder."""

    turns: tuple[tuple[int, float], ...] = ()

    def read_events(self) -> tuple[Event, ...]:
        """Return the events with those of going on."""
        return (
            *super().read_events(),
            *(
                Event(sequence=1000 + index, time_ns=at, kind="continued", duration_s=away)
                for index, (at, away) in enumerate(self.turns)
            ),
        )


def _frames(seed: int) -> FrameBatch:
    """Return a quarter of an hour of a joint: pauses, gaps, swings of every length, steps."""
    dice = np.random.default_rng(seed)
    n = 9000
    steps = dice.choice(
        [10_000_000, 100_000_000, 450_000_000, 1_700_000_000, 9_000_000_000],
        n,
        p=[0.45, 0.45, 0.09, 0.008, 0.002],
    )
    time_ns = START_NS + np.cumsum(steps)
    time_ns = time_ns[time_ns < START_NS + LENGTH_S * S]
    n = len(time_ns)
    slow = np.cumsum(dice.normal(0, 0.4, n))
    level = np.repeat(dice.choice([0.0, 4.0, 8.0, 12.0], n // 40 + 1), 40)[:n]
    current = np.where(np.arange(n) % 900 < 500, level * dice.choice([-1, 1], n), slow) + (
        dice.normal(0, 0.3, n)
    )
    torque = 1.6 * current + dice.normal(0, 0.5, n)
    setpoint = 1.6 * current
    heat = np.round(45 + 25 * np.sin(np.arange(n) / 700) + dice.normal(0, 0.2, n), 1)
    frames = []
    for index, at in enumerate(time_ns.tolist()):
        payload = b"".join(
            round(value * 100).to_bytes(2, "little", signed=True)
            for value in (current[index], torque[index])
        )
        frames.append((at, 1, 0, payload))
        # Set-points come less often, and at times for so long not at all that they are stale.
        if index % 4 == 0 and index % 700 < 600:
            told = round(setpoint[index] * 100).to_bytes(2, "little", signed=True)
            frames.append((at + 500, 3, 0, told))
        if index % 5 == 0:
            raw = round(heat[index] * 10)
            frames.append((at + 1000, 2, 0, raw.to_bytes(2, "little", signed=True)))
    return FrameBatch.from_rows(sorted(frames))


@pytest.fixture(scope="module", params=[0, 1])
def recording(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    """Give a recording with sealed parts of many sizes."""
    out = tmp_path_factory.mktemp("made") / "rec"
    whole = _frames(request.param)
    import_frames(
        [whole.select_rows(slice(first, first + 500)) for first in range(0, len(whole), 500)],
        bench=BENCH,
        limits=LimitSet(),
        out=out,
        name="t",
        start_ns=START_NS,
        end_ns=START_NS + LENGTH_S * S,
    )
    return _WentOn.open(out)


def _told(recording: Recording, limit) -> object:
    only = LimitSet(limits=(limit,))
    return to_alert_arrays(
        to_state_changes(evaluate_joint(recording, ((recording.start_ns, only),), "a").changes)
    )


def _limit(text: str):
    (limit,) = parse_limits(f"format = 1\n[[limit]]\n{text}", "limits.toml").limits
    return limit


DELAYS = st.sampled_from([0.0, 0.0, 0.05, 0.3, 1.0, 2.5, 6.0, 20.0])
TURNS = st.lists(
    st.tuples(st.integers(1, LENGTH_S - 1), st.sampled_from([0.0, 0.4, 5.0])),
    max_size=2,
    unique_by=lambda turn: turn[0],
)


@st.composite
def levels(draw):
    """Draw a level, a band or a touch temperature somewhere in, at or beyond the trace."""
    kind = draw(st.sampled_from(["above", "below", "outside", "touch"]))
    channel, low, high = draw(
        st.sampled_from([("current_A", -13, 13), ("temperature_housing_degC", 15, 75)])
    )
    delays = f"on_delay_s = {draw(DELAYS)}\noff_delay_s = {draw(DELAYS)}\n"
    head = f'name = "x"\nseverity = "warning"\n{delays}'
    magnitude = kind != "touch" and draw(st.booleans())
    level = draw(st.integers(low * 10, high * 10)) / 10
    if magnitude:
        level = abs(level)
    back = draw(st.sampled_from([0.0, 0.0, 0.5, 4.0]))
    if kind == "touch":
        return _limit(
            f'{head}kind = "touch"\ncontact_s = 10.0\nabove = {level}\ndrop_off = {level - back}'
        )
    head += f'kind = "level"\nchannel = "{channel}"\nmagnitude = {str(magnitude).lower()}\n'
    if kind == "outside":
        wide = draw(st.sampled_from([1.0, 5.0, 20.0]))
        band = f"outside = [{level}, {level + wide}]\n"
        return _limit(f"{head}{band}inside = [{level + back / 10}, {level + wide - back / 10}]")
    if magnitude:
        level = abs(level)
    back = max(level - back, 0.0) if magnitude and kind == "above" else level - back
    if kind == "below":
        back = 2 * level - back
    return _limit(f"{head}{kind} = {level}\ndrop_off = {back}")


@st.composite
def others(draw):
    """Draw a limit of any other kind."""
    head = f'name = "x"\nseverity = "trip"\noff_delay_s = {draw(DELAYS)}\n'
    delay = f"on_delay_s = {draw(DELAYS)}\n"
    text = draw(
        st.sampled_from(
            [
                'kind = "rate"\nchannel = "temperature_housing_degC"\nrise_per_min = {a}\n'
                "over_s = 20.0\ndrop_off_per_min = 1.0\n{delay}",
                'kind = "tracking"\nchannel = "torque_Nm"\nabove = {a}\ndrop_off = 0.1\n{delay}',
                'kind = "thermal"\nchannel = "current_A"\nbasic = 4.0\nheating_s = 20.0\n'
                "above_percent = {percent}\n{delay}",
                'kind = "inverse-time"\nchannel = "current_A"\ncurve = "C"\nsetting = {b}\n'
                'tms = 0.05\nreset = "{reset}"\nreset_s = 9.0\n{delay}',
                'kind = "frozen"\nchannel = "temperature_housing_degC"\nwithin = 0.3\n'
                'load = "current_A"\nload_above = {a}\non_delay_s = 2.0\n',
                'kind = "oscillation"\nchannel = "torque_Nm"\nabove = {a}\ndrop_off = 0.5\n'
                "band_Hz = [0.2, 1.0]\n{delay}",
                'kind = "silence"\nafter_s = {after}\n',
            ]
        )
    )
    reset = draw(st.sampled_from(["instant", "held", "dependent"]))
    text = text.format(
        a=draw(st.sampled_from([1.1, 1.3, 2.0, 6.0])),
        b=draw(st.sampled_from([1.5, 3.0, 6.0])),
        percent=draw(st.sampled_from([30.0, 80.0, 140.0, 300.0])),
        after=draw(st.sampled_from([0.2, 0.5, 1.7, 5.0])),
        reset=reset,
        delay=delay,
    )
    if reset != "dependent":
        text = text.replace("reset_s = 9.0\n", "")
    if 'kind = "silence"' in text:
        head = head.partition("off_delay_s")[0]
    return _limit(head + text)


def _went_on(recording: _WentOn, turns: list) -> _WentOn:
    recording.turns = tuple((START_NS + at * S, away) for at, away in sorted(turns))
    return recording


@settings(
    max_examples=examples(60),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(limits=st.lists(levels(), min_size=1, max_size=6), turns=TURNS)
def test_levels_by_the_pyramid(recording: _WentOn, limits: list, turns: list):
    """What never comes near a level need not be read: the same alerts, wherever it went on."""
    _went_on(recording, turns)
    for limit, found in zip(limits, level_alerts(recording, "a", limits), strict=True):
        expected = _told(recording, limit)
        assert same_alerts(found, expected), (limit, found, expected)


@settings(
    max_examples=examples(60),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(limits=st.lists(levels() | others(), min_size=1, max_size=8), turns=TURNS)
def test_many_limits_over_one_read(recording: _WentOn, limits: list, turns: list):
    """Shared scores, chunks, silences and time without a recorder change nothing."""
    _went_on(recording, turns)
    found = evaluate_rows(recording, "a", limits, chunk_ns=37 * S)
    for limit, alerts in zip(limits, found, strict=True):
        assert same_alerts(alerts, _told(recording, limit)), limit


@st.composite
def shortened(draw):
    """Draw a limit of a kind that has a short cut of its own."""
    head = f'name = "x"\nseverity = "trip"\non_delay_s = {draw(DELAYS)}\n'
    head += f"off_delay_s = {draw(DELAYS)}\n"
    kind = draw(st.sampled_from(["inverse-time", "thermal", "frozen"]))
    if kind == "inverse-time":
        return _limit(
            f'{head}kind = "inverse-time"\nchannel = "current_A"\n'
            f'curve = "{draw(st.sampled_from("ABCDEF"))}"\n'
            f"setting = {draw(st.integers(5, 140)) / 10}\n"
            f"tms = {draw(st.sampled_from([0.001, 0.01, 0.05, 0.2, 1.0]))}\n"
            f"from_multiple = {draw(st.sampled_from([1.0, 1.1, 2.0]))}\n"
            f"drop_off = {draw(st.sampled_from([1.0, 0.5]))}"
        )
    if kind == "thermal":
        percent = draw(st.integers(20, 200))
        return _limit(
            f'{head}kind = "thermal"\nchannel = "current_A"\n'
            f"basic = {draw(st.integers(10, 100)) / 10}\n"
            f"heating_s = {draw(st.sampled_from([20.0, 47.0, 300.0, 2000.0]))}\n"
            f"above_percent = {percent}\n"
            f"drop_off_percent = {draw(st.integers(10, percent))}"
        )
    channel, within = draw(
        st.sampled_from(
            [("temperature_housing_degC", [0.0, 0.3, 2.0]), ("torque_Nm", [0.5, 3.0, 20.0])]
        )
    )
    smoothing = draw(st.sampled_from(["", "smoothing_s = 20.0\n"]))
    delay = draw(st.sampled_from([0.3, 1.0, 3.0, 8.0, 40.0]))
    return _limit(
        f'name = "x"\nseverity = "trip"\nkind = "frozen"\nchannel = "{channel}"\n'
        f'load = "current_A"\nload_above = {draw(st.sampled_from([0.5, 3.0, 9.0, 30.0]))}\n'
        f"within = {draw(st.sampled_from(within))}\n{smoothing}on_delay_s = {delay}"
    )


@settings(
    max_examples=examples(80),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(limits=st.lists(shortened() | levels() | others(), min_size=5, max_size=14), turns=TURNS)
def test_each_by_its_shortest_way(recording: _WentOn, limits: list, turns: list):
    """Runs, moments and stillness tell the same as every reading does, mixed in one task."""
    _went_on(recording, turns)
    for limit, alerts in zip(limits, evaluate_limits(recording, "a", limits), strict=True):
        assert same_alerts(alerts, _told(recording, limit)), limit


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(limits=st.lists(shortened().filter(supports_moments), min_size=1, max_size=6), turns=TURNS)
def test_images_by_moments(recording: _WentOn, limits: list, turns: list):
    """An image that is told from the moments tells the same; few of them are unsure."""
    _went_on(recording, turns)
    found = thermal_alerts(recording, "a", limits)
    for limit, alerts in zip(limits, found, strict=True):
        # A hold of half a second is short for these time constants: none moves too fast.
        assert alerts is not None, limit
        assert same_alerts(alerts, _told(recording, limit)), limit


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    sets=st.lists(
        st.tuples(st.integers(1, 80), st.integers(0, 80), DELAYS, DELAYS), min_size=2, max_size=8
    ),
    turns=TURNS,
)
def test_tracking_past_stale_set_points(recording: _WentOn, sets: list, turns: list):
    """Rows without an error stand among the others: they break delays and hide no other row."""
    _went_on(recording, turns)
    limits = [
        _limit(
            'name = "x"\nseverity = "trip"\nkind = "tracking"\nchannel = "torque_Nm"\n'
            f"above = {above / 10}\ndrop_off = {min(above, back) / 10}\n"
            f"on_delay_s = {on}\noff_delay_s = {off}"
        )
        for above, back, on, off in sets
    ]
    for limit, alerts in zip(limits, evaluate_limits(recording, "a", limits), strict=True):
        assert same_alerts(alerts, _told(recording, limit)), limit


def test_a_current_beyond_all_measure_is_left_to_the_live_code(recording: _WentOn):
    """Where the live code cuts a current off, moments do not answer; the alerts are the same."""
    recording.turns = ()
    limits = [
        _limit(
            'name = "x"\nseverity = "trip"\nkind = "thermal"\nchannel = "current_A"\n'
            f"basic = {basic}\nheating_s = 300.0"
        )
        for basic in (0.001, 0.01, 3.0, 5.0)
    ]
    assert [one is None for one in thermal_alerts(recording, "a", limits)] == [
        True, True, False, False,
    ]  # fmt: skip
    for limit, alerts in zip(limits, evaluate_limits(recording, "a", limits), strict=True):
        assert same_alerts(alerts, _told(recording, limit)), limit


def test_the_trace_has_what_the_properties_need(recording: _WentOn):
    """There are alerts to compare, of levels and of every other kind."""
    recording.turns = ()
    assert len(_told(recording, _limit(
        'name = "x"\nkind = "level"\nseverity = "trip"\nchannel = "current_A"\nabove = 7.0\n'
        "on_delay_s = 0.3"
    ))) > 5  # fmt: skip
    assert math.isfinite(recording.end_ns)
    assert replace(recording.read_events()[0], kind="note").kind == "note"
