"""A channel in neighbouring buckets of any width, as a pandas table; no extreme is lost."""

from typing import Any, Final

import numpy as np
import pandas as pd

from logger.arrays import Ints
from logger.errors import InputError
from logger.joint.channels import channel_named
from logger.joint.time_weighted import Buckets, to_buckets
from logger.store.pyramid.seconds import BASE_NS
from replay.library.frames import frame, time_index
from replay.recording import Recording
from replay.window import bin_width_ns

__all__ = ["envelope_table"]

DEFAULT_BINS: Final = 1000
MAX_BUCKETS: Final = 20_000_000


def envelope_table(
    recording: Recording, joint: str, channel: str, span: tuple[int, int], width_ns: int | None
) -> pd.DataFrame:
    """Return the envelope of a channel: see `RecordingTables.envelope`.

    `span`: [start, end) in ns; its first and last bucket may reach beyond it.

    Raises
    ------
    InputError
        There would be more than `MAX_BUCKETS` buckets.
    """
    width_ns = bin_width_ns(span[1] - span[0], bins=DEFAULT_BINS) if width_ns is None else width_ns
    first_ns, last_ns = span[0] // width_ns * width_ns, -(-span[1] // width_ns) * width_ns
    count = (last_ns - first_ns) // width_ns
    if count > MAX_BUCKETS:
        raise InputError(
            f"width: found {count} buckets of {width_ns / 1e9:g} s, expected at most {MAX_BUCKETS}."
            " Choose a wider one, or a shorter span."
        )
    buckets = _read_buckets(recording, joint, channel, (first_ns, last_ns), width_ns)
    held = buckets.duration_s
    mean_square = np.divide(buckets.m2, held, out=np.zeros(len(held)), where=held > 0)
    columns = {
        "n": buckets.n, "held_s": held, "min": buckets.minimum, "max": buckets.maximum,
        "mean": buckets.mean, "rms": np.sqrt(mean_square + buckets.mean**2),
        "first": buckets.first, "last": buckets.last,
    }  # fmt: skip
    unit = channel_named(channel).ucum
    units = dict.fromkeys(("min", "max", "mean", "rms", "first", "last"), unit)
    return frame(
        _on_grid(columns, (buckets.start_ns - first_ns) // width_ns, count),
        time_index(first_ns + width_ns * np.arange(count, dtype=np.int64)),
        {"n": "1", "held_s": "s", **units},
        joint=joint,
        channel=channel,
        width_s=width_ns / 1e9,
    )


def _read_buckets(
    recording: Recording, joint: str, channel: str, edges: tuple[int, int], width_ns: int
) -> Buckets:
    first_ns, last_ns = edges
    if width_ns % BASE_NS == 0:
        return recording.read_buckets(joint, channel, first_ns, last_ns, width_ns=width_ns)
    time_ns, value = recording.read_readings(
        joint, first_ns, last_ns, channels=[channel], lead_in=True
    ).channel_series(channel)
    return to_buckets(
        time_ns,
        value,
        hold_ns=recording.hold_ns(joint)[channel],
        width_ns=width_ns,
        until_ns=min(last_ns, recording.end_ns),
    ).buckets_within(first_ns, last_ns)


def _on_grid(columns: dict[str, Any], rows: Ints, count: int) -> dict[str, Any]:
    """Return columns spread over all buckets: NaN, and no reading, where there was none."""
    spread: dict[str, Any] = {
        name: np.full(count, 0.0 if name == "held_s" else np.nan) for name in columns
    }
    spread["n"] = np.zeros(count, np.int64)
    for name, values in columns.items():
        spread[name][rows] = values
    return spread
