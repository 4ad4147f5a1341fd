"""What cannot be told of an invented drive is looked for in the proposal, thing by thing."""

from dataclasses import replace

import pytest

from logger.layout_finder.proposal import Undecided
from tests.support.drives import DriveSet, invent_drive
from tests.support.drives.impossible import impossible_things
from tests.support.drives.judge import propose_for


@pytest.mark.slow
def test_what_a_proposal_leaves_out_is_named():
    """All is listed of a whole proposal; of one without a reason just what had that reason."""
    drive = invent_drive(7, DriveSet.MAIN)
    proposal = propose_for(drive)
    things = dict(impossible_things(drive, proposal))
    assert things
    assert all(things.values()), things
    silent = replace(proposal, undecided=())
    untold = {name for name, told in impossible_things(drive, silent) if not told}
    assert any(Undecided.ZERO_OF_POSITION.value in name for name in untold)
    without = replace(
        proposal,
        undecided=tuple(
            one for one in proposal.undecided if one.reason is not Undecided.CURRENT_OR_TORQUE
        ),
    )
    untold = {name for name, told in impossible_things(drive, without) if not told}
    assert untold
    assert all(Undecided.CURRENT_OR_TORQUE.value in name for name in untold)
