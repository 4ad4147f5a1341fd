"""The exact figures of a span, as a pandas table: a row for each channel of a joint."""

from collections.abc import Sequence
from typing import Final

import pandas as pd

from logger.joint.channels import channel_named
from replay.recording import Recording
from replay.statistics import span_statistics

__all__ = ["figure_table"]

_FIGURES: Final = ("n", "held_s", "min", "max", "mean", "rms")


def figure_table(
    recording: Recording, joint: str, channels: Sequence[str], span_ns: tuple[int, int]
) -> pd.DataFrame:
    """Return the figures: see `RecordingTables.figures`."""
    rows = []
    for name in channels:
        found = span_statistics(recording, joint, name, *span_ns)
        rows.append(
            (found.n, found.duration_s, found.minimum, found.maximum, found.mean, found.rms)
        )
    table = pd.DataFrame(rows, index=pd.Index(channels, name="channel"), columns=list(_FIGURES))
    table["unit"] = [channel_named(name).ucum for name in channels]
    table.attrs |= {"units": {"n": "1", "held_s": "s"}, "joint": joint}
    return table
