"""A recorder that follows a plan is killed at any moment and started again: one campaign."""

import os
import random
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.event_kind import EventKind
from logger.store.layout.files import cycle_rules_stream, cycles_stream
from replay.campaign.read_cycles import read_cycles
from replay.check import check_recording
from replay.recording import Recording
from tests.logger.recording.campaign_recorder import CYCLE_FRAMES, RATE_HZ, number_of, position_of

ALL = {"start_ns": 0, "end_ns": 2**62}
_HELD_UP_S = 0.15
_LEAST_LIFE_S = 1.2
"""A life that is killed within its first second may leave nothing at all (what is promised)."""
STATED = '[cycle]\nchannel = "position_rad"\nabove = 0.0\nhysteresis = 0.2\n'
STAGES = """
[[stage]]
name = "run in"
cycles = {run_in}
[[stage]]
name = "load"
cycles = {loaded}
[[stage]]
name = "soak"
duration_s = {soak_s}
[[stage]]
name = "on"
cycles = 100_000
"""


def _record(folder: Path, lives_s: list[float], *, seed: int, last_stage: str = "") -> Recording:
    """Record through as many lives, all but the last of them ended by a kill.

    `last_stage`: the last life goes on until it has begun, however slow a busy machine is.
    """
    server = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("campaign_recorder.py")), str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )

    def ask(command: str) -> int:
        server.stdin.write(command + "\n")
        server.stdin.flush()
        return int(server.stdout.readline())

    for number, life_s in enumerate(lives_s):
        is_last = number == len(lives_s) - 1
        child = ask(f"begin {seed + number}")
        until_s = time.monotonic() + 60.0
        # A life is counted from when it records, however long a busy machine takes to get there.
        while _said(folder).count("Recording into") <= number and time.monotonic() < until_s:
            time.sleep(0.02)
        time.sleep(life_s)
        while is_last and last_stage and time.monotonic() < until_s:
            stages = [event.stage for event in Recording.open(folder / "rec").read_events()]
            if last_stage in stages:
                break
            time.sleep(0.2)
        os.kill(child, signal.SIGTERM if is_last else signal.SIGKILL)
        assert ask(f"wait {child}") == (0 if is_last else signal.SIGKILL), _said(folder)
    server.stdin.close()
    server.wait(20)
    server.stdout.close()
    return Recording.open(folder / "rec")


def _said(folder: Path) -> str:
    said = folder / "said.txt"
    return said.read_text(encoding="utf-8") if said.exists() else ""


def _assert_one_campaign(recording: Recording, lives: int) -> int:
    """Hold table, evaluation, stages and what the joint did against each other; return cycles."""
    table = recording.read_rows(cycles_stream("shoulder"), **ALL)
    plan = recording.manifest.read_plan("it")
    afterwards = read_cycles(recording, "shoulder", start=plan.cycle)
    assert table["cycle"].to_pylist() == list(range(1, len(afterwards) + 1))
    assert table["start"].cast("int64").to_pylist() == afterwards.start_ns.tolist()
    assert table["time"].cast("int64").to_pylist() == afterwards.end_ns.tolist()
    assert table["kind"].to_pylist() == [str(kind) for kind in afterwards.kinds]
    for name, values in afterwards.figures.items():
        stored = table[name].fill_null(np.nan).to_numpy()
        assert np.allclose(stored, values, rtol=1e-12, atol=1e-12, equal_nan=True), name

    frames = recording.read_rows("frames", **ALL)
    time_ns = frames["time"].cast("int64").to_numpy()
    numbers = np.array([number_of(data) for data in frames["data"].to_pylist()])
    assert (np.diff(numbers) > 0).all(), "no frame twice, none out of order"
    lost = np.flatnonzero(np.diff(numbers) > 1)
    assert len(lost) == lives - 1, "frames are missing between two lives and nowhere else"
    # The joint's own count, of what came to be recorded: nothing is missing within these.
    rises = _rises(numbers.tolist(), *_levels(recording))
    made = {
        number: np.diff(time_ns[row : next_row + 1]) / 1e9
        for (number, row), (next_number, next_row) in pairwise(rises)
        if next_number - number == next_row - row == CYCLE_FRAMES
    }
    started = numbers[time_ns.searchsorted(afterwards.start_ns)]
    assert (np.diff(started) > 0).all(), "no cycle is counted twice"
    assert made.keys() <= set(started.tolist()), "none that was recorded is left out"
    whole = set(started[np.array(table["kind"].to_pylist()) == "whole"].tolist())
    # Where a busy machine held the joint up, it may be told as paused or as a gap; and one that
    # began late, and made up for it, as short.
    usual_s = CYCLE_FRAMES / RATE_HZ
    in_time = {
        number
        for number, steps_s in made.items()
        if steps_s.max() < _HELD_UP_S and abs(steps_s.sum() - usual_s) < _HELD_UP_S
    }
    assert in_time <= whole
    assert whole <= made.keys()

    events = recording.read_events()
    begun = [event.stage for event in events if event.kind == EventKind.STAGE_BEGUN]
    assert begun == [stage.name for stage in plan.stage][: len(begun)], "none twice, none left out"
    ended = [event for event in events if event.kind == EventKind.STAGE_ENDED]
    assert [event.stage for event in ended] == begun[:-1]
    for event, stage in zip(ended, plan.stage, strict=False):
        if stage.end.cycles is not None:
            assert event.whole_value == stage.end.cycles
    stages = [stage for stage in table["stage"].to_pylist() if stage is not None]
    assert list(dict.fromkeys(stages)) == [name for name in begun if name in stages]
    assert len([event for event in events if event.kind == EventKind.CONTINUED]) == lives - 1
    checked = check_recording(recording)
    assert len(checked.missing) == len(recording.manifest.cut_short) == lives - 1, checked.missing
    assert checked.dropped == 0
    return len(made)


def _levels(recording: Recording) -> tuple[float, float]:
    """Return the levels below and above which the position begins a cycle."""
    stated = recording.manifest.read_plan("it").cycle
    if stated is not None:
        return stated.above - stated.hysteresis, stated.above
    rules = recording.read_rows(cycle_rules_stream("shoulder"), **ALL).to_pylist()
    assert len({(one["low"], one["high"]) for one in rules}) == 1
    return rules[0]["low"], rules[0]["high"]


def _rises(numbers: list[int], low: float, high: float) -> list[tuple[int, int]]:
    """Return the number and the row of each frame with which the joint began a cycle."""
    found, is_below = [], False
    for row, number in enumerate(numbers):
        position = position_of(number)
        if position <= low:
            is_below = True
        elif position >= high and is_below:
            found.append((number, row))
            is_below = False
    return found


def test_killed_twice(tmp_path: Path):
    """Late in a stage, and seconds after it went on."""
    plan = 'format = 1\nname = "Killed"\n' + STATED
    plan += STAGES.format(run_in=6, loaded=9, soak_s=3)
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    dice = random.Random(4)
    lives_s = [5.0 + dice.random(), _LEAST_LIFE_S + dice.random(), 5.5]
    recording = _record(tmp_path, lives_s, seed=4, last_stage="on")
    assert _assert_one_campaign(recording, 3) >= 15
    assert [event.stage for event in recording.read_events() if event.stage][-1] == "on"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_killed_again_and_again(tmp_path: Path, seed: int):
    """Ten times at random moments, before and after cycles are found by themselves."""
    plan = 'format = 1\nname = "Killed"\n' + STAGES.format(run_in=20, loaded=30, soak_s=12)
    (tmp_path / "plan.toml").write_text(plan, encoding="utf-8")
    dice = random.Random(seed)
    lives_s = [
        *(
            _LEAST_LIFE_S + dice.choice((0.0, 5.0, 13.0)) * dice.uniform(0.3, 1.3)
            for _ in range(10)
        ),
        15.0,
    ]
    recording = _record(tmp_path, lives_s, seed=100 * seed)
    assert _assert_one_campaign(recording, len(lives_s)) >= 20
