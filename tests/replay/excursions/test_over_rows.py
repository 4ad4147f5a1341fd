"""Excursions: what was raised live is found again, whatever the chunks, with the peak it had."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from replay.excursions.over_rows import evaluate_joint, find_excursions
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from tests.support.same_excursions import under_others

S = 1_000_000_000
START_NS = 1_795_000_000 * S + 123_456_789
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "s"
identifier = 1
length = 2
hold_s = 0.5
[[frame.value]]
channel = "torque_Nm"
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
scale = 0.01
"""
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
    '[[joint]]\nname = "b"\nlayout = "m"\nrated = { torque = 40.0 }\n',
    {
        "l": LAYOUT,
        "m": LAYOUT.replace('"l"', '"m"').replace("r = 1", "r = 17").replace("r = 2", "r = 18"),
    },
    where="bench.toml",
)
LIMITS = """
format = 1
[[limit]]
name = "strong"
kind = "level"
severity = "warning"
channel = "torque_Nm"
magnitude = true
above = 20.0
drop_off = 15.0
on_delay_s = 0.25
off_delay_s = 0.4
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 60.0
drop_off = 55.0
on_delay_s = 4.0
off_delay_s = 4.0
[[limit]]
name = "cold"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
below = -10.0
[[limit]]
name = "quiet"
kind = "silence"
severity = "warning"
after_s = 1.5
"""


def _frames(identifier: int, time_ns: NDArray[np.int64], value: NDArray[np.float64]) -> list:
    raw = np.round(np.asarray(value) * 100).astype(int).tolist()
    return [
        (at, identifier, 0, one.to_bytes(2, "little", signed=True))
        for at, one in zip(time_ns.tolist(), raw, strict=True)
    ]


def _recorded(
    path: Path, frames: list, *, limits: str, end_ns: int, cuts: tuple[int, ...] = ()
) -> Recording:
    whole = FrameBatch.from_rows(sorted(frames))
    edges = [0, *sorted(cuts), len(whole)]
    import_frames(
        [whole.select_rows(slice(low, high)) for low, high in pairwise(edges)],
        bench=BENCH,
        limits=parse_limits(limits, "limits.toml"),
        out=path,
        name="t",
        start_ns=START_NS,
        end_ns=end_ns,
    )
    return Recording.open(path)


def _level(*rules: str) -> str:
    return (
        'format = 1\n[[limit]]\nname = "one"\nkind = "level"\nseverity = "warning"\njoint = "a"\n'
        'channel = "torque_Nm"\n' + "\n".join(rules)
    )


@pytest.mark.parametrize("seed", range(4))
def test_found_again_as_raised_live(tmp_path: Path, seed: int):
    """Half an hour in random batches: every raise and return, its instant, value and peak."""
    dice = np.random.default_rng(seed)
    end_ns = START_NS + 1900 * S
    frames = []
    for base in (0, 16):
        steps = dice.choice([60_000_000, 100_000_000, 450_000_000, 2_200_000_000], 9000, p=[
            0.4, 0.4, 0.19, 0.01])  # fmt: skip
        time_ns = START_NS + np.cumsum(steps)
        time_ns = time_ns[time_ns < end_ns - dice.integers(0, 60) * S]
        torque = np.cumsum(dice.normal(0, 2, len(time_ns))) % 60 - 30
        frames += _frames(1 + base, time_ns, torque)
        slow = time_ns[::7]
        frames += _frames(2 + base, slow, 25 + 45 * np.sin(np.arange(len(slow)) / 60))
    cuts = tuple(dice.integers(0, len(frames), 400).tolist())
    recording = _recorded(tmp_path / "rec", frames, limits=LIMITS, end_ns=end_ns, cuts=cuts)

    def order(told: tuple) -> tuple:
        return told[:4]

    live = sorted(
        (
            (event.time_ns, event.joint, event.limit, event.kind, event.value)
            for event in recording.read_events()
            if event.kind in {"raised", "returned"}
        ),
        key=order,
    )
    after = sorted(
        (
            (
                one.time_ns,
                one.joint,
                one.limit,
                one.kind,
                one.value if one.kind == "raised" else one.peak,
            )
            for joint in recording.joints
            for one in evaluate_joint(recording, recording.limit_sets, joint).changes
        ),
        key=order,
    )
    assert {told[2] for told in live} == {"strong", "hot", "cold", "quiet"}
    assert after == live

    found = find_excursions(recording)
    assert sorted(
        (one.start_ns, one.joint, one.limit) for one in found
    ) == [told[:3] for told in live if told[3] == "raised"]  # fmt: skip
    assert [one.start_ns for one in found] == sorted(one.start_ns for one in found)
    for one in found:
        assert one.onset_ns <= one.start_ns
        assert (one.rated_torque_Nm == 40.0) == (one.joint == "b")
        assert set(one.rms_torque_Nm) == {60, 300, 900}
        assert [load.span_s for load in one.load_before if not load.since_start] == [
            span_s for span_s in (60, 600, 3600) if span_s * S <= one.start_ns - recording.start_ns
        ]
    assert recorded_excursions(recording) == found
    assert under_others(recording, parse_limits(LIMITS, "limits.toml")) == found


@pytest.mark.parametrize(
    ("rules", "values", "peak"),
    [
        # By magnitude the later, other-handed swing is the further one.
        (("magnitude = true", "above = 20.0"), [0, 25, -80, 30], -80.0),
        (("magnitude = true", "above = 20.0"), [0, -25, 80, -30], 80.0),
        # With its sign: above a negative level the highest is the worst, whatever its sign.
        (("magnitude = false", "above = -5.0"), [-20, -4, -1, -3], -1.0),
        (("magnitude = false", "above = -5.0"), [-20, -4, 7, -3], 7.0),
        (("magnitude = false", "below = 5.0"), [20, 4, 1, 3], 1.0),
        (("magnitude = false", "below = 5.0"), [20, 4, -9, 3], -9.0),
        # By magnitude below a level it is the one nearest to zero.
        (("magnitude = true", "below = 5.0"), [20, 4, -1, 3], -1.0),
        (("magnitude = true", "below = 5.0"), [-20, 4, 2, -3], 2.0),
        (("magnitude = true", "outside = [2.0, 10.0]"), [5, -1.5, 1, -1.2], 1.0),
    ],
)
def test_the_peak_is_the_furthest(tmp_path: Path, rules: tuple, values: list, peak: float):
    """The same for one that has not returned at the end and for one that has."""
    time_ns = START_NS + S // 10 * np.arange(len(values))
    calm = [float(values[0])]
    ends_ns = int(time_ns[-1]) + S // 10
    recording = _recorded(
        tmp_path / "on",
        _frames(1, time_ns, np.array(values)),
        limits=_level(*rules),
        end_ns=ends_ns,
    )
    (one,) = find_excursions(recording)
    assert recorded_excursions(recording) == [one]
    assert under_others(recording, parse_limits(_level(*rules), "x")) == [one]
    assert one.ongoing
    assert one.peak == pytest.approx(peak)
    assert one.duration_s == pytest.approx((ends_ns - int(time_ns[1])) * 1e-9)
    recording = _recorded(
        tmp_path / "over",
        _frames(1, np.append(time_ns, ends_ns), np.array(values + calm)),
        limits=_level(*rules),
        end_ns=ends_ns + S,
    )
    (one,) = find_excursions(recording)
    assert recorded_excursions(recording) == [one]
    assert under_others(recording, parse_limits(_level(*rules), "x")) == [one]
    assert not one.ongoing
    assert one.peak == pytest.approx(peak)
    assert one.duration_s == pytest.approx((ends_ns - int(time_ns[1])) * 1e-9)


def test_a_joint_that_is_silent_to_the_end(tmp_path: Path):
    """Raised when the wait was full, ongoing, its peak the silence so far; also one never heard."""
    end_ns = START_NS + 30 * S
    recording = _recorded(
        tmp_path / "rec",
        _frames(1, START_NS + S // 10 * np.arange(100), np.zeros(100)),
        limits=LIMITS,
        end_ns=end_ns,
    )
    last_ns = START_NS + S // 10 * 99
    found = {one.joint: one for one in find_excursions(recording)}
    assert {one.joint: one for one in recorded_excursions(recording)} == found
    assert set(found) == {"a", "b"}
    for joint, since_ns in (("a", last_ns), ("b", START_NS)):
        one = found[joint]
        assert (one.limit, one.ongoing, one.channel) == ("quiet", True, "")
        assert one.start_ns == since_ns + 1_500_000_000
        assert one.peak == pytest.approx((end_ns - since_ns) * 1e-9)


def test_a_gap_before_it_is_told(tmp_path: Path):
    """No frames for a while, a minute before: said with how long and how long ago."""
    time_ns = START_NS + S // 10 * np.concatenate((np.arange(100), np.arange(200, 900)))
    value = np.zeros(len(time_ns))
    value[-100:] = 30.0
    recording = _recorded(
        tmp_path / "rec",
        _frames(1, time_ns, value),
        limits=_level("above = 20.0"),
        end_ns=int(time_ns[-1]) + S,
    )
    (one,) = find_excursions(recording)
    assert one.nearby == ("60 s before: no frames for 10.1 s",)
    assert one.rms_torque_Nm[60] == pytest.approx(0.0)
