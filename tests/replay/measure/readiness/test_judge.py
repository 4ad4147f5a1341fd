"""A recording judged as it grows: each row is read about once, and Live can ask again."""

from pathlib import Path

import numpy as np

from replay.measure.programme import joint_programme
from replay.measure.readiness.judge import ReadinessJudge
from replay.recording import Recording
from tests.support.benches.friction_bench import draw_friction_bench
from tests.support.heat_recordings import START_NS, record_channels

S = 1_000_000_000


def test_a_recording_of_passes(tmp_path: Path, monkeypatch):
    """Friction is answered by it and stands so in the programme; asked again nothing is read."""
    setup, _ = draw_friction_bench(np.random.default_rng(2), rate_hz=20.0)
    series = setup.spans[0].series
    time_s = series["position_rad"][0]
    recording = record_channels(
        tmp_path / "passes",
        START_NS + np.round(time_s * S).astype(np.int64),
        {name: values for name, (_, values) in series.items()},
    )
    judge = ReadinessJudge()
    found = judge.judge(recording, "a")
    steps = {one.procedure.name: one for one in joint_programme([recording], needed=found)}
    friction, ceiling = steps["friction"].needed, steps["ceiling"].needed
    assert friction is not None
    assert friction.is_enough
    assert ceiling is not None
    assert not ceiling.is_begun
    assert steps["backlash"].needed is None
    # In parts, as a page asks for it, it comes to the same.
    monkeypatch.setattr("replay.measure.readiness.judge.CHUNK_S", 20.0)
    slow = ReadinessJudge(most_rows=1)
    parts = [slow.judge(recording, "a") for _ in range(9)]
    assert parts[0][0].have < found[0].have
    assert parts[-1] == found
    read = []
    monkeypatch.setattr(Recording, "read_readings", lambda *_, **__: read.append(1))
    assert judge.judge(recording, "a") == found
    assert not read
