"""Streaming = batch: any chunking of the frames gives the same readings and the same changes."""

from functools import cache
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.joint.batch import FrameBatch
from logger.joint.decode.decode import DecodeState, decode
from logger.joint.decode.decode import decode_plan as decode_plan_for
from logger.limits.evaluate import evaluate, initial_state
from logger.limits.evaluate import plan_limits as limit_plan_for
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x", rate_Hz=20.0)
LIMITS = parse_limits(
    scenario.scenario_limits_text()
    .replace("above       = 70.0", "above       = 66.0")
    .replace("drop_off    = 67.0", "drop_off    = 65.0"),
    "limits.toml",
)


@cache
def _trace() -> FrameBatch:
    """Return ten minutes of the simulated joints, with two stretches cut out."""
    made = FrameBatch.concatenate(
        list(simulate_frames(hours=1 / 6, rate_Hz=20.0, seed=5, start_ns=START_NS))
    )
    second = (made.time_ns - START_NS) // 1_000_000_000
    kept = ~((second >= 100) & (second < 104)) & ~((second >= 300) & (second < 301))
    return made.select_rows(kept)


def _run(cuts: list[int]) -> tuple[dict[str, list[np.ndarray]], list]:
    trace = _trace()
    plan, state = decode_plan_for(BENCH), DecodeState()
    plans = {
        joint.name: limit_plan_for(LIMITS, joint=joint.name, hold_ns=BENCH.hold_times_ns_of(joint))
        for joint in BENCH.joints
    }
    states = {name: initial_state(one, start_ns=START_NS) for name, one in plans.items()}
    columns: dict[str, list[np.ndarray]] = {}
    changes = []
    edges = [0, *sorted(cuts), len(trace)]
    for first, last in pairwise(edges):
        part = trace.select_rows(slice(first, last))
        now_ns = int(trace.time_ns[last]) if last < len(trace) else int(trace.time_ns[-1]) + 1
        decoded, state = decode(plan, state, part)
        for readings in decoded.readings:
            said, states[readings.joint] = evaluate(
                plans[readings.joint], states[readings.joint], readings, now_ns=now_ns
            )
            changes.extend(said)
            columns.setdefault(f"{readings.joint} segment", []).append(readings.position_segment)
            for channel, values in readings.columns.items():
                columns.setdefault(f"{readings.joint} {channel}", []).append(values)
    order = {joint.name: place for place, joint in enumerate(BENCH.joints)}
    return columns, sorted(changes, key=lambda change: (order[change.joint],))


@settings(max_examples=25)
@given(st.lists(st.integers(0, 11_000), max_size=40))
def test_any_chunking_decodes_and_warns_alike(cuts: list[int]):
    """Readings, position segments and changes are those of the whole trace, to the last bit."""
    whole, said = _run([])
    chunked, said_in_chunks = _run([min(cut, len(_trace())) for cut in cuts])
    assert said_in_chunks == said
    for name, parts in whole.items():
        np.testing.assert_array_equal(np.concatenate(chunked[name]), np.concatenate(parts), name)


def test_the_trace_is_worth_it():
    """The trace has raises, returns and position segments to get wrong."""
    columns, said = _run([])
    assert {change.kind for change in said} == {"raised", "returned"}
    assert {change.limit for change in said} >= {"silent", "housing-warm"}
    assert np.concatenate(columns["shoulder segment"]).max() >= 2
