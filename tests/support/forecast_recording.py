"""A recording of a joint with a model of heat, made as live: readings in batches."""

from pathlib import Path

import numpy as np

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.event_log import EventLog
from logger.recording.pipeline import Pipeline
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from replay.recording import Recording
from tests.support.observed_joint import SECOND_NS, ObservedJoint

START_NS = 1_795_000_200 * SECOND_NS
LIMITS = """format = 1
[[limit]]
name = "warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = {warning}
[[limit]]
name = "hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = {trip}
"""


def thermal_text(run: ObservedJoint) -> str:
    """Return the table of a joint's model as a bench file has it."""
    lines = ["[joint.thermal]"]
    for key, value in run.fitted.settings.written_keys.items():
        shown = [list(row) for row in value] if key == "log_covariance" else value
        lines.append(f"{key} = {shown!r}")
    return "\n".join(lines)


def heat_bench(run: ObservedJoint | None, channels: list[str]) -> Bench:
    """Return a bench of a joint `a` that reports these channels, with the model of a run."""
    frames = "".join(
        f'[[frame]]\nname = "f{number}"\nidentifier = {number}\nlength = 8\nhold_s = 3.0\n'
        f'[[frame.value]]\nchannel = "{name}"\nbyte = 0\nbits = 32\n'
        for number, name in enumerate(channels, start=1)
    )
    model = "" if run is None else thermal_text(run)
    return bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
        'torque = { from = "current", per_ampere = 1.5 }\n' + model,
        {"l": f'format = 1\nname = "l"\n{frames}'},
        where="bench.toml",
    )


def record_forecast(
    path: Path,
    run: ObservedJoint,
    *,
    batch_s: float = 5.0,
    warning: float = 70.0,
    trip: float = 80.0,
    model: bool = True,
    limits: str | None = None,
    forecasts: bool = True,
) -> Recording:
    """Return the recording of a run, its readings fed as live in batches of `batch_s`."""
    seconds = len(run.current_A)
    bench = heat_bench(run if model else None, ["current_A", *run.readings])
    text = limits or LIMITS.format(warning=warning, trip=trip)
    in_force = parse_limits(text, "limits.toml")
    manifest = new_manifest(bench, name=path.name, started_ns=START_NS, limits=in_force)
    writer = BulkWriter(path, manifest, bench)
    events = EventLog(bench, writer)
    pipeline = Pipeline(bench, in_force, writer, events, start_ns=START_NS, forecasts=forecasts)
    time_ns = START_NS + np.arange(seconds) * SECOND_NS
    whole = ReadingBatch(
        joint="a",
        time_ns=time_ns,
        position_segment=np.full(seconds, -1, np.int32),
        columns={
            "current_A": run.current_A,
            "torque_Nm": 1.5 * run.current_A,
            **run.readings,
        },
    )
    end_ns = START_NS + seconds * SECOND_NS
    edges = np.arange(START_NS, end_ns, round(batch_s * SECOND_NS)).tolist()
    for low, high in zip(edges, [*edges[1:], end_ns], strict=True):
        first, last = np.searchsorted(time_ns, [low, high])
        pipeline.process_readings(whole.select_rows(slice(first, last)), now_ns=high)
        pipeline.record_seconds(high)
    writer.close(ended_ns=end_ns, cause="made")
    return Recording.open(path)
