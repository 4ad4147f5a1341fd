"""What a joint is after a change: from its instant on, and within a step for a share of it."""

import numpy as np
import pytest

from logger.joint.thermal.thermal_load import JointHeat, LoadSteps, step_response
from logger.joint.thermal.thermal_model import TwoNode, Winding
from replay.heat.dated_change import ChangeCause, DatedChange, changed_joint, changed_response

JOINT = JointHeat(
    network=TwoNode(
        winding_housing_K_per_W=0.8,
        winding_J_per_K=60.0,
        housing_ambient_K_per_W=2.2,
        housing_J_per_K=450.0,
    ),
    winding=Winding(resistance_ohm=0.145),
    standby_W=3.0,
)
STEP_S, START, ROOM = 30.0, np.array([70.0, 55.0]), 22.0


def _after(joint: JointHeat, duration_s: float, start: np.ndarray, room: float) -> np.ndarray:
    step = step_response(joint, LoadSteps.at_rest(np.array([duration_s]), np.array([64.0])))
    return step.free[0] @ start + step.forced[0] + step.per_ambient[0] * room


@pytest.mark.parametrize("cause", list(ChangeCause))
@pytest.mark.parametrize("share", [0.0, 0.3, 0.8])
def test_a_change_within_a_step_is_as_good_as_two_steps(cause: ChangeCause, share: float):
    """To 0.02 K; a whole step more or less would make more of it, and count as another change."""
    size = 5.0 if cause is ChangeCause.AMBIENT else np.log(1.5)
    change = DatedChange(cause=cause, at_s=300.0 + share * STEP_S)
    steps = LoadSteps.at_rest(np.array([STEP_S]), np.array([64.0]))
    made = changed_response(JOINT, steps, np.array([300.0]), [change], np.array([size]))
    found = made.free[0] @ START + made.forced[0] + made.per_ambient[0] * ROOM
    later = changed_joint(JOINT, cause, float(np.exp(size)))
    room = ROOM + (size if cause is ChangeCause.AMBIENT else 0.0)
    exact = START
    if share:
        exact = _after(JOINT, share * STEP_S, exact, ROOM)
    exact = _after(later, (1.0 - share) * STEP_S, exact, room)
    assert found[1] == pytest.approx(exact[1], abs=0.02)
