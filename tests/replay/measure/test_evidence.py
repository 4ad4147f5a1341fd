"""What a span of a recording carries into an evaluation: the mode that the drive reports."""

from pathlib import Path

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.simulate.commissioning.bench_files import commissioning_bench
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from replay.measure.evidence import NamedSpan, read_spans
from replay.recording import Recording
from tests.support.heat_recordings import START_NS, S


def test_the_mode_is_what_the_name_of_the_state_says(tmp_path: Path):
    """Off, torque mode, speed mode, off: by the names of the layout; `off` names none."""
    bench = commissioning_bench("none")
    time_ns = START_NS + np.arange(0, 40 * S, S // 10)
    codes = np.repeat([0.0, 1.0, 2.0, 0.0], 100)
    path = tmp_path / "modes"
    writer = BulkWriter(path, new_manifest(bench, name="modes", started_ns=START_NS), bench)
    writer.append_readings(
        ReadingBatch(
            joint="wrist",
            time_ns=time_ns,
            position_segment=np.full(len(time_ns), -1, np.int32),
            columns={"state_code": codes, "current_A": np.ones(len(time_ns))},
        )
    )
    writer.close(ended_ns=int(time_ns[-1]) + S, cause="made")
    span = NamedSpan(name="all", start_ns=START_NS, end_ns=START_NS + 40 * S)
    (trace,) = read_spans([Recording.open(path)], "wrist", [span], {})
    assert [(round(at), mode) for at, mode in trace.modes] == [
        (0, ""), (10, "torque"), (20, "speed"), (30, "")
    ]  # fmt: skip
    at_s = np.array([5.0, 15.0, 25.0])
    assert trace.is_in_mode("speed", at_s).tolist() == [False, False, True]
    assert 0.0 < trace.holds_s["current_A"] < 60.0
