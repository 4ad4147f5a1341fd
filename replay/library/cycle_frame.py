"""The cycles of a joint, as a pandas table: a row for each."""

import numpy as np
import pandas as pd

from logger.campaign.cycle_figures import figure_unit
from replay.campaign.read_cycles import read_cycles
from replay.library.frames import frame, time_index
from replay.recording import Recording

__all__ = ["cycle_frame"]


def cycle_frame(recording: Recording, joint: str) -> pd.DataFrame:
    """Return the cycles: see `RecordingTables.cycles`."""
    found = read_cycles(recording, joint)
    columns = {
        "start": time_index(found.start_ns),
        "end": time_index(found.end_ns),
        "kind": pd.Series([str(kind) for kind in found.kinds], dtype="str").to_numpy(),
        **found.figures,
    }
    numbers = pd.Index(np.arange(1, len(found) + 1), name="cycle")
    units = {name: figure_unit(name) for name in found.figures}
    return frame(columns, numbers, units, joint=joint)
