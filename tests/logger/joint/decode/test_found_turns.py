"""Lost turns are found where they can be known, and nowhere else; in any pieces alike."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch, ReadingBatch
from logger.joint.bench.bench import Bench
from logger.joint.decode.decode import DecodeState, decode, decode_plan, settled_state
from logger.joint.decode.encoder_position import turn_memory_of
from tests.support.depth import examples
from tests.support.turning_joint import TURN_RAD, TURNING_LAYOUT, TurningJoint, turning_bench

S, MS = 1_000_000_000, 1_000_000
START_NS = 1_795_000_000 * S


@dataclass(kw_only=True)
class Found:
    """What was decoded, and how segments were found."""

    readings: ReadingBatch
    anchors: dict[int, str]
    state: DecodeState


def _decode(bench: Bench, frames: FrameBatch, cuts: Sequence[int] = ()) -> Found:
    plan, state, readings, anchors = decode_plan(bench), DecodeState(), [], {}
    for first, last in pairwise([0, *sorted(cuts), len(frames)]):
        decoded, state = decode(plan, state, frames.select_rows(slice(first, last)))
        readings += decoded.readings
        anchors |= {segment: str(how) for (_, segment), how in decoded.anchors.items()}
    whole = ReadingBatch.concatenate(readings, channels=decoded.readings[0].columns.keys())
    return Found(readings=whole, anchors=anchors, state=settled_state(plan, state))


def _errors(joint: TurningJoint, found: Found) -> dict[int, float]:
    """Return how many turns each segment is from the first, by what the joint truly did."""
    counted = np.flatnonzero(found.readings.position_segment >= 0)
    turns = found.readings.columns["position_rad"][counted] / TURN_RAD
    at_s = (found.readings.time_ns[counted] - MS - START_NS) / S
    apart = turns - np.array([joint.turns(at) for at in at_s])
    segments = found.readings.position_segment[counted]
    errors = {}
    for segment in np.unique(segments).tolist():
        mine = apart[segments == segment]
        assert np.ptp(mine) < 0.01, "within a segment it is continuous"
        errors[segment] = float(mine[0] - apart[0])
    return errors


CYCLE = [0.0, 3.3, 1.1, 5.7, 2.2, 4.4]


def test_it_stood_still_meanwhile():
    """The same set-point, the same angle, at rest before and behind: found within a blink."""
    joint = TurningJoint(targets=CYCLE, rest_s=2.0)
    found = _decode(turning_bench(), joint.frames([(4.5, 5.0)]))
    assert found.anchors == {2: "standstill"}
    assert _errors(joint, found)[2] == pytest.approx(0.0, abs=0.001)
    begins = found.readings.time_ns[found.readings.position_segment == 2][0]
    assert START_NS + 5.2 * S < begins < START_NS + 5.4 * S


@pytest.mark.parametrize("gap", [(6.2, 6.7), (6.0, 7.6), (5.5, 7.3)])
@pytest.mark.parametrize("joint_settings", ["", "reversed = true\nzero_rad = 0.3"])
def test_it_moved_meanwhile(gap: tuple[float, float], joint_settings: str):
    """Lost within a move of 4.6 turns: known again when it has followed two more set-points."""
    joint = TurningJoint(targets=CYCLE)
    found = _decode(turning_bench(joint_settings), joint.frames([gap]))
    assert found.anchors == {2: "set-points"}
    if not joint_settings:
        errors = _errors(joint, found)
        assert abs(errors[1]) > 0.9
        assert errors[2] == pytest.approx(0.0, abs=0.001)
    last = found.readings.columns["position_rad"][found.readings.position_segment == 2][-1]
    whole = _decode(turning_bench(joint_settings), joint.frames())
    assert whole.readings.position_segment.max() == 0
    assert last == pytest.approx(whole.readings.columns["position_rad"][-1], abs=1e-3)


def test_a_loss_behind_a_find_in_one_batch():
    """The turns that were found end with the next loss: it begins with the raw count as ever."""
    joint = TurningJoint(targets=[0.0, 3.3, 1.1, 5.7, 2.2, 4.4], rest_s=1.5)
    frames = joint.frames([(4.0, 4.5), (5.3, 5.9)])
    one, other = (_decode(turning_bench(), frames, cuts) for cuts in ((), range(0, 1500, 7)))
    assert list(one.anchors.values()) == ["standstill", "set-points"]
    for channel, values in one.readings.columns.items():
        np.testing.assert_array_equal(values, other.readings.columns[channel], err_msg=channel)


def test_losses_one_after_the_other():
    """Lost again before they were found: they are those of before the first loss all the same."""
    joint = TurningJoint(targets=[*CYCLE, *CYCLE])
    gaps = [(4.3, 4.7), (6.2, 6.6), (8.4, 8.9), (9.3, 9.6), (9.8, 10.2)]
    found = _decode(turning_bench(), joint.frames(gaps))
    errors = _errors(joint, found)
    assert list(found.anchors.values()) == ["set-points"]
    (segment,) = found.anchors
    assert segment == max(errors) > 4
    assert errors[segment] == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize(
    ("case", "joint", "settings_", "layout", "boots_s"),
    [
        (
            "silent long enough to be switched off",
            TurningJoint(targets=CYCLE),
            "",
            TURNING_LAYOUT,
            (),
        ),
        (
            "switched on again, as it reports",
            TurningJoint(targets=CYCLE),
            "turns_found_within_s = 60",
            TURNING_LAYOUT,
            (5.5,),
        ),
        (
            "told never to",
            TurningJoint(targets=CYCLE),
            "turns_found_within_s = 0",
            TURNING_LAYOUT,
            (),
        ),
        (
            "no set-point is reported",
            TurningJoint(targets=CYCLE),
            "turns_found_within_s = 60",
            TURNING_LAYOUT.replace("position_setpoint_rad", "torque_setpoint_Nm"),
            (),
        ),
        (
            "it follows no set-point",
            TurningJoint(targets=CYCLE, follows=False),
            "turns_found_within_s = 60",
            TURNING_LAYOUT,
            (),
        ),
        (
            "it is at rest nowhere",
            TurningJoint(targets=CYCLE, rest_s=0.1),
            "turns_found_within_s = 60",
            TURNING_LAYOUT,
            (),
        ),
        ("it has one set-point", TurningJoint(targets=[2.0] * 6), "", TURNING_LAYOUT, ()),
    ],
)
def test_nothing_is_guessed(
    case: str, joint: TurningJoint, settings_: str, layout: str, boots_s: tuple[float, ...]
):
    """Where the turns cannot be known the segment stays one of its own."""
    share = joint.length_s / 12
    found = _decode(
        turning_bench(settings_, layout),
        joint.frames([(4.2 * share, 6.9 * share)], boots_s=boots_s),
    )
    if case == "it has one set-point":
        # It may have been turned meanwhile: that it stood at this one is all that is known.
        found = _decode(turning_bench(settings_, layout), _turned_by_hand(joint))
    assert found.anchors == {}, case
    assert found.readings.position_segment.max() > 0


def _turned_by_hand(joint: TurningJoint) -> FrameBatch:
    """Return the frames of one that rests a third of a turn further behind a gap of 0.5 s."""
    before = joint.frames([(4.0, joint.length_s)])
    joint.error += 1 / 3
    behind = joint.frames([(0.0, 4.5)])
    return FrameBatch.concatenate([before, behind])


def test_another_zero_behind_the_loss_is_none_of_before():
    """Set-points that are followed from elsewhere in the turn find nothing, then or later."""
    first, second = TurningJoint(targets=CYCLE), TurningJoint(targets=CYCLE, error=0.35)
    frames = FrameBatch.concatenate([first.frames([(6.3, 12.0)]), second.frames([(0.0, 6.8)])])
    assert _decode(turning_bench(), frames).anchors == {}


def test_a_drive_that_keeps_its_turns_may_be_silent_for_longer():
    """Who says that it does not lose them when it is off is believed."""
    joint = TurningJoint(targets=[*CYCLE, *CYCLE])
    frames = joint.frames([(6.2, 12.6)])
    assert _decode(turning_bench(), frames).anchors == {}
    found = _decode(turning_bench("turns_found_within_s = 60"), frames)
    (segment,) = found.anchors
    assert _errors(joint, found)[segment] == pytest.approx(0.0, abs=0.001)


@st.composite
def _stories(draw: st.DrawFn) -> tuple[TurningJoint, list[tuple[float, float]]]:
    joint = TurningJoint(
        targets=draw(st.lists(st.floats(-8, 8), min_size=4, max_size=9)),
        rest_s=draw(st.sampled_from([0.2, 0.5, 0.9])),
        move_s=draw(st.sampled_from([0.6, 1.1])),
        error=draw(st.floats(-0.02, 0.02)),
        follows=draw(st.sampled_from([True, True, True, False])),
    )
    begins = draw(st.lists(st.floats(0, joint.length_s), max_size=5))
    return joint, [(at, at + draw(st.sampled_from([0.3, 0.6, 1.4, 2.5]))) for at in begins]


@settings(max_examples=examples(60))
@given(_stories(), st.lists(st.integers(0, 2000), max_size=15))
def test_what_is_found_is_right_and_the_same_in_any_pieces(
    story: tuple[TurningJoint, list[tuple[float, float]]], cuts: list[int]
):
    """A found segment is where the one before the loss was; values, segments, anchors alike."""
    joint, gaps = story
    bench, frames = turning_bench(), joint.frames(gaps)
    if not len(frames):
        return
    whole = _decode(bench, frames)
    pieces = _decode(bench, frames, [min(cut, len(frames)) for cut in cuts])
    assert whole.anchors == pieces.anchors
    assert repr(whole.state) == repr(pieces.state)
    np.testing.assert_array_equal(whole.readings.position_segment, pieces.readings.position_segment)
    for name, values in whole.readings.columns.items():
        np.testing.assert_array_equal(values, pieces.readings.columns[name], err_msg=name)
    errors = _errors(joint, whole)
    for segment in whole.anchors:
        # In line with a segment before it: the first one, or one that began a line of its own.
        earlier = [error for number, error in errors.items() if number < segment]
        assert min(abs(errors[segment] - error) for error in earlier) < 0.01


@settings(max_examples=examples(60))
@given(_stories(), st.integers(100, 2000))
def test_what_is_remembered_is_read_back_from_the_rows(
    story: tuple[TurningJoint, list[tuple[float, float]]], end: int
):
    """A recorder that resumes knows of the turns what the one before it did."""
    joint, gaps = story
    bench, frames = turning_bench(), joint.frames(gaps)
    frames = frames.select_rows(slice(0, end))
    if not len(frames):
        return
    found = _decode(bench, frames)
    segment = int(found.readings.position_segment.max())
    plan = decode_plan(bench).joints[0]
    memory = turn_memory_of(plan, found.readings, segment=segment)
    state = found.state.joints["a"]
    assert repr(memory) == repr(state.memory.after_restart(state.turns))
