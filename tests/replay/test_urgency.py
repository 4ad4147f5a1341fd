"""Which joints to look at first: the order, and how calm it stays while it is shown."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.limits.lifecycle import Alert
from logger.limits.limit_change import Severity
from replay.recording import Recording
from replay.urgency import (
    SORT_EVERY_S,
    JointOrder,
    JointState,
    JointUrgency,
    next_order,
    recorded_urgencies,
    sort_by_urgency,
)

NAMES = tuple("abcdefgh")


def urgency(joint: str, state: JointState = JointState.NORMAL, **more: float) -> JointUrgency:
    """Return the urgency of a joint."""
    return JointUrgency(joint=joint, state=state, **more)  # type: ignore[arg-type]


@st.composite
def benches(draw: st.DrawFn, names: tuple[str, ...] = NAMES) -> list[JointUrgency]:
    """Draw the urgency of each joint, in any order."""
    joints = draw(st.permutations(names))
    return [
        urgency(
            joint,
            draw(st.sampled_from(JointState)),
            is_faulty=draw(st.booleans()),
            limit_in_s=draw(st.sampled_from([math.inf, 60.0, 600.0])),
            temperature_degC=draw(st.sampled_from([math.nan, 20.0, 45.5, 80.0])),
        )
        for joint in joints
    ]


def test_worst_first():
    """Trip, warning, silent, heat not known; then the nearest in time, then the hottest."""
    wanted = [
        urgency("tripped", JointState.TRIP),
        urgency("warned, trips soon", JointState.WARNING, limit_in_s=300.0),
        urgency("warned", JointState.WARNING, temperature_degC=90.0),
        urgency("silent", JointState.SILENT, temperature_degC=85.0),
        urgency("heat not known", JointState.HEAT_UNKNOWN),
        urgency("its drive reports a fault", is_faulty=True, temperature_degC=25.0),
        urgency("in a minute", limit_in_s=60.0, temperature_degC=30.0),
        urgency("in an hour", limit_in_s=3600.0, temperature_degC=60.0),
        urgency("hot", temperature_degC=58.0),
        urgency("cool", temperature_degC=31.0),
    ]
    assert list(sort_by_urgency(wanted[::-1])) == wanted


@given(benches())
def test_each_joint_has_one_place_and_no_better_one_stands_before_a_worse_one(bench):
    """Whatever is so of them; what decides is said by nothing but `rank`."""
    order = next_order(JointOrder(), bench, 0.0)
    assert sorted(order.joints) == sorted(NAMES)
    ranks = [one.rank for one in order.urgencies]
    assert ranks == sorted(ranks)


@given(benches(), benches(), st.floats(0.0, SORT_EVERY_S - 0.01))
def test_between_two_sortings_only_a_change_of_state_moves_a_joint(first, then, after_s):
    """Those whose state stays keep their order; states stand in their order all the same."""
    before = next_order(JointOrder(), first, 100.0)
    after = next_order(before, then, 100.0 + after_s)
    assert sorted(after.joints) == sorted(NAMES)
    classes = [one.state_rank for one in after.urgencies]
    assert classes == sorted(classes)
    was = {one.joint: one.state_rank for one in first}
    stays = {one.joint for one in then if one.state_rank == was[one.joint]}
    assert [joint for joint in after.joints if joint in stays] == [
        joint for joint in before.joints if joint in stays
    ]
    assert {id(one) for one in after.urgencies} == {id(one) for one in then}, "what is shown is new"


@given(benches(), benches(), st.floats(SORT_EVERY_S, 1e6))
def test_it_is_sorted_anew_once_in_a_while(first, then, after_s):
    """Equally urgent ones stay as they stood, whatever the order in which they are told."""
    before = next_order(JointOrder(), first, 100.0)
    after = next_order(before, then, 100.0 + after_s)
    place = {joint: index for index, joint in enumerate(before.joints)}
    wanted = sorted(then, key=lambda one: (one.rank, place[one.joint]))
    assert list(after.joints) == [one.joint for one in wanted]
    assert after.sorted_s == 100.0 + after_s


@given(benches(), st.lists(benches(), min_size=3, max_size=6))
def test_calm_readings_never_move_a_tile_within_ten_seconds(first, readings):
    """Whatever temperatures and forecasts do meanwhile, however often one looks."""
    order = next_order(JointOrder(), first, 0.0)
    state_of = {one.joint: one for one in first}
    wanted = order.joints
    for step, reading in enumerate(readings, start=1):
        calm = [
            urgency(
                one.joint,
                state_of[one.joint].state,
                is_faulty=state_of[one.joint].is_faulty,
                limit_in_s=one.limit_in_s,
                temperature_degC=one.temperature_degC,
            )
            for one in reading
        ]
        order = next_order(order, calm, step * SORT_EVERY_S / 8)
        assert order.joints == wanted


@given(benches(), benches(NAMES[2:]))
def test_other_joints_are_sorted_at_once(first, then):
    """Another recording, or a joint that is gone, has an order of its own."""
    before = next_order(JointOrder(), first, 0.0)
    after = next_order(before, then, 0.1)
    assert after.joints == tuple(one.joint for one in sort_by_urgency(then))


def test_of_a_recording_counts_what_was_raised_then_how_hot_it_was(overheat: Recording):
    """A joint that tripped, then one that was warned; without alerts the hotter one."""
    housings = dict.fromkeys(overheat.joints, "temperature_housing_degC")

    def states(*alerts: Alert) -> list[tuple[str, JointState]]:
        found = sort_by_urgency(recorded_urgencies(overheat, alerts, housings))
        return [(one.joint, one.state) for one in found]

    def alert(joint: str, severity: Severity) -> Alert:
        return Alert(number=1, joint=joint, limit="x", severity=severity, channel="", raised_ns=1)

    calm = states()
    assert calm[0] == ("shoulder", JointState.NORMAL), "the shoulder gets hotter"
    warned = states(alert("elbow", "warning"))
    assert warned == [("elbow", JointState.WARNING), ("shoulder", JointState.NORMAL)]
    both = states(alert("elbow", "warning"), alert("shoulder", "trip"))
    assert both == [("shoulder", JointState.TRIP), ("elbow", JointState.WARNING)]
    unknown = recorded_urgencies(overheat, [], dict.fromkeys(overheat.joints))
    assert {one.state for one in unknown} == {JointState.HEAT_UNKNOWN}


@pytest.mark.parametrize("state", list(JointState))
def test_a_joint_is_well_only_if_nothing_has_to_be_said(state: JointState):
    """Neither by its state nor by its drive."""
    assert urgency("a", state).is_well == (state == JointState.NORMAL)
    assert not urgency("a", state, is_faulty=True).is_well
