"""A campaign through power cuts, in a virtual machine: where POWER_CUT_CACHE names its folder.

The kernel is fetched into that folder once. Minutes of processor time, so it runs by request only.
"""

import os
from pathlib import Path

import pytest

from tests.support.power_cut.judge import judge
from tests.support.power_cut.machine import missing_tools
from tests.support.power_cut.story import LOADED, RUN_IN, run_story

MOST_LOST_S = 1.0
MESSAGE_LATE_S = 0.4
"""The joint tells where it is five times a second; what is under way counts as lost."""


@pytest.mark.slow
def test_power_is_cut_twice(tmp_path: Path):
    """Found and started by systemd alone, it is one recording and one campaign."""
    cache = os.environ.get("POWER_CUT_CACHE")
    if cache is None:
        pytest.skip("POWER_CUT_CACHE names no folder for a virtual machine's kernel")
    if missing := missing_tools():
        pytest.skip(f"missing here: {', '.join(missing)}")
    came = run_story(Path(cache), tmp_path, seed=1)
    verdict = judge(came)
    assert verdict.left_out == verdict.doubled == verdict.dropped == 0
    assert max(verdict.lost_s) <= MOST_LOST_S + MESSAGE_LATE_S, verdict.lost_s
    assert verdict.stages == ("run in", "load", "soak", "on")
    assert verdict.counts[:2] == (RUN_IN, LOADED)
    # A cut in the second in which it goes on leaves nothing of that, and one longer pause.
    assert 1 <= len(verdict.pauses_s) <= 2
    assert 1 <= verdict.cut_short <= 2
    assert all(20.0 < pause_s < 600.0 for pause_s in verdict.pauses_s)
    told = [(one["kind"], one["stage"]) for one in came.messages]
    assert ("stage begun", "on") in told
    assert told[-1][0] == "ended"
