"""A limit on oscillation: what it raises, what it refuses, and what it leaves unjudged."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.evaluate import (
    after_restart,
    evaluate,
    evaluate_with_coverage,
    initial_state,
    plan_limits,
)
from logger.limits.kinds.oscillation import Oscillation
from logger.limits.limit import LimitSet, check_for_bench, limits_from_tables, parse_limits
from logger.limits.words import change_sentence, describe_limit, limit_label
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.recording import Recording
from tests.support.demo_drive import MOTION
from tests.support.depth import examples

S = 1_000_000_000
TABLE = {
    "name": "shaking",
    "kind": "oscillation",
    "severity": "warning",
    "channel": "torque_Nm",
    "above": 2.0,
    "drop_off": 1.5,
    "band_Hz": [3.0, 12.0],
    "on_delay_s": 1.0,
}
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 2
period_s = {period_s}
[[frame.value]]
channel = "torque_Nm"
byte = 0
bits = 16
signed = true
scale = 0.01
"""
BENCH = """
[bus]
interface = "virtual"
channel = "x"
bitrate = 1_000_000
[[joint]]
name = "shoulder"
layout = "l"
"""


def _limit(**changed: object) -> Oscillation:
    (limit,) = limits_from_tables([{**TABLE, **changed}], "limits", text="").limits
    assert isinstance(limit, Oscillation)
    return limit


def _batch(time_s, value) -> ReadingBatch:
    return ReadingBatch(
        joint="shoulder",
        time_ns=np.round((1000 + time_s) * S).astype(np.int64),
        position_segment=np.zeros(len(time_s), np.int32),
        columns={"torque_Nm": value},
    )


def _plan(limit: Oscillation, hold_s: float = 0.1):
    hold_ns = {"torque_Nm": round(hold_s * S)}
    return plan_limits(LimitSet(limits=(limit,)), joint="shoulder", hold_ns=hold_ns)


def _shaken(rate_hz: float = 100.0):
    """Return 30 s of a moving joint that shakes at 6 Hz, by 3 N·m, from 10 s to 15 s."""
    time_s = np.arange(int(30 * rate_hz)) / rate_hz
    value = 20 * np.sin(2 * np.pi * 0.2 * time_s) + 5
    shaking = (time_s >= 10) & (time_s < 15)
    return time_s, value + np.where(shaking, 3.0 * np.sin(2 * np.pi * 6 * time_s), 0.0)


def test_a_joint_that_shakes_is_told_once():
    """Raised a window and its delay behind the beginning, returned a window behind the end."""
    limit = _limit()
    plan = _plan(limit)
    batch = _batch(*_shaken())
    changes, _ = evaluate(
        plan, initial_state(plan, start_ns=0), batch, now_ns=int(batch.time_ns[-1])
    )
    raised, returned = changes
    assert (raised.kind, returned.kind) == ("raised", "returned")
    assert raised.time_ns / S - 1010 == pytest.approx(1.4, abs=0.4)
    assert returned.time_ns / S - 1015 == pytest.approx(0.5, abs=0.3)
    assert returned.peak == pytest.approx(3.0, rel=0.05)
    assert change_sentence(raised, limit).startswith(
        "shoulder: torque oscillating by 2 N·m or more between 3 and 12 Hz for 1 s, now "
    )
    assert change_sentence(returned, limit).startswith(
        "shoulder: torque oscillating by 1.5 N·m or less"
    )


def test_its_words():
    """A label, and a sentence that says how often readings must come."""
    assert limit_label(_limit()) == "torque oscillating by 2 N·m or more between 3 and 12 Hz"
    assert describe_limit(_limit(joint="shoulder", severity="trip")) == (
        "trips when the torque of shoulder oscillates by 2 N·m or more to either side between 3 "
        "and 12 Hz for 1 s; clears at 1.5 N·m or less; stays until acknowledged; needs 60 readings "
        "a second"
    )


def test_a_gap_neither_raises_nor_clears():
    """Behind a gap the window is filled anew; an alert that stands stays through it."""
    time_s = np.arange(2000) / 100.0
    time_s[1000:] += 5.0
    value = 3.0 * np.sin(2 * np.pi * 6 * time_s)
    plan = _plan(_limit())
    batch = _batch(time_s, value)
    changes, state = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=10**13)
    assert [change.kind for change in changes] == ["raised"]
    assert state.active_limits == ("shaking",)
    later = after_restart(plan, state, time_ns=10**13)
    assert later.active_limits == ("shaking",)
    assert later.memories["shaking"] == _limit().initial_memory()


def test_readings_that_come_too_seldom_are_not_judged():
    """40 readings a second do not tell 12 Hz: nothing is raised, whatever they look like."""
    plan = _plan(_limit())
    batch = _batch(*_shaken(rate_hz=40.0))
    start = initial_state(plan, start_ns=0)
    seldom = evaluate_with_coverage(plan, start, batch, now_ns=10**13)
    assert seldom.changes == ()
    assert seldom.state.active_limits == ()
    (told,) = seldom.coverage
    limit = plan.limits[0]
    assert isinstance(limit, Oscillation)
    assert limit.coverage_sentence(told, plan.hold_ns).endswith(
        "or fewer than 48 readings a second (shaking)"
    )
    assert evaluate_with_coverage(plan, start, _batch(*_shaken()), now_ns=10**13).coverage == ()


def test_a_recorder_says_what_it_cannot_judge(tmp_path: Path):
    """Once for each joint, in an event: what is not judged is not passed over in silence."""
    start_ns = 1_795_000_000 * S
    text = """format = 1
[[limit]]
name = "shaking"
kind = "oscillation"
severity = "warning"
channel = "current_A"
above = 5.0
band_Hz = [1.0, 8.0]
"""
    import_frames(
        simulate_frames(hours=1 / 120, rate_Hz=20.0, seed=5, start_ns=start_ns),
        bench=scenario.scenario_bench(channel="x", rate_Hz=20.0),
        limits=parse_limits(text, "limits.toml"),
        out=tmp_path / "rec",
        name="slow",
        start_ns=start_ns,
        end_ns=start_ns + 30 * S,
    )
    recording = Recording.open(tmp_path / "rec")
    said = [event for event in recording.read_events() if event.kind == "limit not judged"]
    assert sorted(event.joint for event in said) == sorted(recording.joints)
    assert {event.limit for event in said} == {"shaking"}


def test_readings_at_the_edge_are_judged_often_enough(tmp_path: Path):
    """Often enough for some seconds and then too seldom, again and again: nothing to say."""
    start_ns = 1_795_000_000 * S
    text = """format = 1
[[limit]]
name = "shaking"
kind = "oscillation"
severity = "warning"
channel = "current_A"
above = 5.0
band_Hz = [1.0, 8.0]
"""
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 60, rate_Hz=100.0, seed=5, start_ns=start_ns))
    )
    # One of four that carry the current is left over every other five seconds: 25 a second.
    kept = np.ones(len(made), bool)
    seldom = (made.time_ns - start_ns) // (5 * S) % 2 == 1
    for identifier in np.unique(made.identifier):
        carrying = np.flatnonzero(
            (made.identifier == identifier) & (made.data[:, 1] >> 5 == MOTION)
        )
        kept[carrying[np.arange(len(carrying)) % 4 > 0]] = False
    thinned = made.select_rows(kept | ~seldom)
    import_frames(
        [thinned.select_rows(slice(at, at + 50)) for at in range(0, len(thinned), 50)],
        bench=scenario.scenario_bench(channel="x", rate_Hz=100.0),
        limits=parse_limits(text, "limits.toml"),
        out=tmp_path / "rec",
        name="edge",
    )
    recording = Recording.open(tmp_path / "rec")
    assert "limit not judged" not in {event.kind for event in recording.read_events()}


@pytest.mark.parametrize(("period_s", "fits"), [(0.001, True), (1 / 60, True), (0.02, False)])
@pytest.mark.parametrize("delays", [True, False])
def test_a_bench_that_is_too_slow_is_refused(*, period_s: float, fits: bool, delays: bool):
    """`limits check` and `tune` alike: the highest frequency that the period tells is named."""
    bench = bench_from_texts(BENCH, {"l": LAYOUT.format(period_s=period_s)}, where="bench.toml")
    limits = LimitSet(limits=(_limit(),))
    if fits:
        check_for_bench(limits, bench, "limits.toml", delays=delays)
        return
    with pytest.raises(InputError, match=r"band_Hz: found 12 .* at most 10: torque_Nm of 'shoul"):
        check_for_bench(limits, bench, "limits.toml", delays=delays)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"band_Hz": [12.0, 3.0]}, "the lower frequency first"),
        ({"band_Hz": [3.0, 3.1]}, "at least a tenth above"),
        ({"band_Hz": [0.0, 3.0]}, "band_Hz"),
        ({"band_Hz": [3.0]}, "2 items"),
        ({"drop_off": 2.5}, "drop_off: found 2.5, expected at most 2"),
        ({"above": 0.0}, "above"),
    ],
)
def test_what_does_not_fit_is_refused(changed: dict[str, object], said: str):
    """Each mistake is answered with its key."""
    with pytest.raises(InputError, match=said):
        _limit(**changed)


@settings(max_examples=examples(60))
@given(seed=st.integers(0, 2**32), cuts=st.lists(st.integers(0, 600), max_size=6))
def test_any_chunking_raises_the_same(seed: int, cuts: list[int]):
    """Readings in any batches, some without the channel: the same changes and the same state."""
    random = np.random.default_rng(seed)
    time_s = np.cumsum(
        random.choice([0.0, 0.009, 0.01, 0.011, 0.3], 600, p=[0.1, 0.3, 0.3, 0.29, 0.01])
    )
    value = random.choice([1.0, 3.0]) * np.sin(2 * np.pi * 6 * time_s) * (random.random() + 0.5)
    value[random.random(600) < 0.1] = np.nan
    batch = _batch(time_s, value)
    plan = _plan(_limit(on_delay_s=float(random.choice([0.0, 0.5]))))
    end_ns = int(batch.time_ns[-1])
    whole, end = evaluate(plan, initial_state(plan, start_ns=0), batch, now_ns=end_ns)
    state, parts, before = initial_state(plan, start_ns=0), [], 0
    for cut in [*sorted(cuts), 600]:
        found, state = evaluate(plan, state, batch.select_rows(slice(before, cut)), now_ns=0)
        parts += found
        before = cut
    assert tuple(parts) == whole
    assert state == end


def test_a_file_with_one_reads_back():
    """The entry of the example is taken."""
    (limit,) = parse_limits(f"format = 1\n{Oscillation.example}", "example").limits
    assert limit == _limit(on_delay_s=2.0)
