"""What `export --every` writes: figures of steps of one length, all channels of a joint in one row.

A step begins at a multiple of its length since 1970 (UTC), so that tables of several recordings lie
on one grid. Its figures are weighted by time, a value held for at most its hold: the same as those
of the pages. Whole seconds come from the pyramid, shorter steps from the rows.
"""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logger.arrays import Floats
from logger.errors import InputError
from logger.joint.channels import channel_named
from logger.joint.time_weighted import Buckets, to_buckets
from logger.store.layout.schema import status_schema
from logger.store.pyramid.seconds import BASE_NS
from replay.recording import Recording

__all__ = ["check_step", "step_schema", "step_tables"]

MIN_STEP_NS: Final = 1_000_000
_SECONDS_AT_ONCE: Final = 21_600
"""Of the pyramid."""
_ROW_SECONDS_AT_ONCE: Final = 60
_FIGURES: Final = ("mean", "min", "max", "rms")
_CODE_FIGURES: Final = ("min", "max")
"""A code or a count has no mean."""


def check_step(step_ns: int) -> None:
    """Raise InputError for a length that no step has."""
    if step_ns < MIN_STEP_NS or (step_ns > BASE_NS and step_ns % BASE_NS):
        raise InputError(
            f"--every: found {step_ns * 1e-9:g} s, expected whole seconds, or a part of a second "
            "from 0.001s."
        )


def _figures_of(channel: str) -> tuple[str, ...]:
    return _CODE_FIGURES if channel_named(channel).whole else _FIGURES


def step_schema(recording: Recording, channels: Sequence[str]) -> pa.Schema:
    """Return the columns: time of the step's beginning, joint, and the figures of each channel."""
    status = status_schema(recording.bench)
    return pa.schema(
        [
            status.field("time"),
            pa.field("joint", pa.string(), nullable=False),
            *(
                status.field(channel).with_name(f"{channel}_{figure}").with_nullable(nullable=True)
                for channel in channels
                for figure in _figures_of(channel)
            ),
        ]
    )


def step_tables(
    recording: Recording,
    joints: Sequence[str],
    channels: Sequence[str],
    span_ns: tuple[int, int],
    *,
    step_ns: int,
) -> Iterator[tuple[int, pa.Table]]:
    """Yield the end of each stretch and its steps, in order of time.

    Parameters
    ----------
    span_ns
        Widened to whole steps. A step in which a joint has no value is left out.
    step_ns
        Length of a step, of which `check_step` approves.
    """
    schema = step_schema(recording, channels)
    begin, end = span_ns[0] // step_ns * step_ns, -(-span_ns[1] // step_ns) * step_ns
    seconds = _SECONDS_AT_ONCE if step_ns % BASE_NS == 0 else _ROW_SECONDS_AT_ONCE
    stride = max(seconds * BASE_NS // step_ns, 1) * step_ns
    while begin < end:
        until = min(begin + stride, end)
        table = pa.concat_tables(
            [
                _joint_table(
                    recording, joint, channels, (begin, until), step_ns=step_ns, schema=schema
                )
                for joint in joints
            ]
        )
        # The sort is stable: joints keep the order of the bench.
        order = pc.sort_indices(table, sort_keys=[("time", "ascending")])
        yield until, table.take(order)
        begin = until


def _joint_table(
    recording: Recording,
    joint: str,
    channels: Sequence[str],
    span_ns: tuple[int, int],
    *,
    step_ns: int,
    schema: pa.Schema,
) -> pa.Table:
    carried = set(recording.channels(joint))
    buckets = {
        channel: _step_buckets(recording, joint, channel, span_ns, step_ns)
        for channel in channels
        if channel in carried
    }
    starts = np.unique(
        np.concatenate([np.empty(0, np.int64), *(one.start_ns for one in buckets.values())])
    )
    columns = {
        "time": pa.array(starts, pa.int64()).cast(schema.field("time").type),
        "joint": pa.array([joint] * len(starts), pa.string()),
    }
    for channel in channels:
        figures = _channel_figures(buckets[channel]) if channel in buckets else {}
        for figure in _figures_of(channel):
            values = np.full(len(starts), np.nan)
            if figures:
                values[np.searchsorted(starts, buckets[channel].start_ns)] = figures[figure]
            name = f"{channel}_{figure}"
            columns[name] = pa.array(values, from_pandas=True).cast(schema.field(name).type)
    return pa.table(columns, schema=schema)


def _step_buckets(
    recording: Recording, joint: str, channel: str, span_ns: tuple[int, int], step_ns: int
) -> Buckets:
    begin, until = span_ns
    if step_ns % BASE_NS == 0:
        return recording.read_buckets(joint, channel, begin, until, width_ns=step_ns)
    hold_ns = recording.hold_ns(joint)[channel]
    # What comes next ends how long the last value of the span holds.
    time_ns, value = recording.read_readings(
        joint, begin, until + hold_ns, channels=[channel], lead_in=True
    ).channel_series(channel)
    return to_buckets(
        time_ns, value, hold_ns=hold_ns, width_ns=step_ns, until_ns=recording.end_ns
    ).buckets_within(begin, until)


def _channel_figures(buckets: Buckets) -> dict[str, Floats]:
    spread = np.divide(
        buckets.m2,
        buckets.duration_s,
        out=np.zeros(len(buckets)),
        where=buckets.duration_s > 0,
    )
    return {
        "mean": buckets.mean,
        "min": buckets.minimum,
        "max": buckets.maximum,
        "rms": np.sqrt(buckets.mean**2 + spread),
    }
