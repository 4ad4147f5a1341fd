"""Which model is chosen: left-out quarters decide only where they tell."""

from replay.heat.choice import choose_model
from tests.support.heat_joints import simulate_joint


def test_one_load_all_the_time_does_not_tell_of_one_body():
    """One body in a room of its own follows left-out quarters best, and is no joint.

    Its time constant came out as 926 to 1360 s, where 852 is true, in a room that drifts by 2.7 K;
    with a winding 801 to 993 s, in one that drifts by 0.7 K.
    """
    trace = simulate_joint(61025, pattern="cyclic", ambient=False).trace
    scores = choose_model(trace, ambient=None, has_speed=False)
    assert [score.model.nodes for score in scores] == [2]
