"""Which joints Live draws of many, as time goes on; what it knows of one that fell silent."""

from typing import Any

from dashboard.live import follower as follower_module
from dashboard.live.follower import Follower, latest_values
from dashboard.live.snapshot import Snapshot
from dashboard.live.view import LiveView
from dashboard.live.view_request import view_request
from dashboard.server.recording_cache import RecordingCache
from replay.recording import Recording
from replay.urgency import JointOrder, JointState, JointUrgency, sort_by_urgency
from tests.support import many_joints

NAMES = tuple(joint.name for joint in many_joints.JOINTS)
LOOK = {"window_s": 30, "width": 600, "height": 400, "form": "normal"}


def snapshot_of(recording: Recording, states: dict[str, JointState], **degC: float) -> Snapshot:  # noqa: N803
    """Return a snapshot whose joints are well but those in `states`."""
    urgencies = [
        JointUrgency(
            joint=name,
            state=states.get(name, JointState.NORMAL),
            temperature_degC=degC.get(name.replace("-", "_"), 30.0),
        )
        for name in NAMES
    ]
    return Snapshot(
        serial=1,
        recording=recording,
        now_ns=recording.end_ns,
        present_ns=recording.end_ns,
        latest={},
        slow={},
        order=JointOrder(urgencies=sort_by_urgency(urgencies), sorted_s=0.0),
    )


def test_the_drawn_joints_change_only_with_a_worse_state(four_arms: Recording):
    """Not when another gets hotter; one that trips takes a pen, the others keep theirs."""
    view = LiveView(view_request(LOOK), four_arms)
    first = view.advance(
        snapshot_of(four_arms, {}, north_base=60.0, east_base=50.0, west_base=40.0)
    )
    assert view.joint_pens == {"north-base": 1, "east-base": 2, "west-base": 3}
    drawn = {trace["meta"]["joint"] for trace in first.figure["data"]}
    assert drawn == {"north-base", "east-base", "west-base"}
    same = view.advance(snapshot_of(four_arms, {}, south_base=70.0, east_base=50.0))
    assert same.sheet_number == first.sheet_number
    tripped = {"west-wrist": JointState.TRIP}
    later = view.advance(snapshot_of(four_arms, tripped, north_base=60.0, east_base=50.0))
    assert view.joint_pens == {"north-base": 1, "east-base": 2, "west-wrist": 3}
    assert later.sheet_number > first.sheet_number


def test_a_choice_stays_whatever_happens(four_arms: Recording):
    """What a page asks for is drawn; what is no list of joints asks for nothing."""
    chosen = LiveView(view_request({**LOOK, "joints": ["", "west-base"]}), four_arms)
    chosen.advance(snapshot_of(four_arms, {"north-base": JointState.TRIP}))
    assert chosen.joint_pens == {"west-base": 2}
    for nonsense in ("west-base", 7, None, {"a": 1}):
        assert view_request({**LOOK, "joints": nonsense}).joints is None
    many = view_request({**LOOK, "joints": [*NAMES, 3]}).joints
    assert many == NAMES[:4]


def test_of_a_joint_that_has_long_been_silent_the_last_is_known(four_arms: Recording):
    """A page that is opened later says when it was heard last, and how warm it was then."""
    last_ns = four_arms.newest_ns("east-wrist")
    assert last_ns is not None
    much_later_ns = four_arms.end_ns + 3600 * 1_000_000_000
    known = latest_values(four_arms, "east-wrist", None, much_later_ns)
    assert known.time_ns == last_ns
    assert known.values["temperature_housing_degC"] == (last_ns, 52.0)
    assert latest_values(four_arms, "east-wrist", known, much_later_ns) == known


def test_trends_are_looked_at_in_turn(monkeypatch: Any, four_arms: Recording):
    """All at first; then a few at a time, each as often as any other."""
    looked: list[str] = []
    monkeypatch.setattr(
        follower_module, "_temperature_trend", lambda _recording, joint, _end: looked.append(joint)
    )
    follower = Follower(RecordingCache(four_arms.path.parent))
    follower._update_trends(four_arms, four_arms.end_ns)
    assert looked == list(four_arms.joints)
    looked.clear()
    for _ in range(5):
        before = len(looked)
        follower._update_trends(four_arms, four_arms.end_ns)
        assert len(looked) - before <= 5
    assert sorted(looked) == sorted(four_arms.joints)
