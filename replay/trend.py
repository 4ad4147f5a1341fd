"""The trend of a joint's temperature over its newest minutes."""

from typing import Final

import numpy as np

from logger.joint.temperature_trend import Trend, fit_temperature_trend
from replay.recording import Recording

__all__ = ["temperature_trend"]

SPAN_S: Final = 240.0
"""Long enough that sensor noise averages out, short against a joint's thermal time constants."""
MIN_READINGS: Final = 20
MIN_SPAN_NS: Final = 60_000_000_000


def temperature_trend(recording: Recording, joint: str, channel: str, end_ns: int) -> Trend | None:
    """Return the trend of a temperature, None while there is too little of it.

    Parameters
    ----------
    channel
        In degC.
    end_ns
        End of the span, included; the trend is over the `SPAN_S` before it.
    """
    begin_ns = end_ns - round(SPAN_S * 1e9)
    rows = recording.read_readings(joint, begin_ns, end_ns + 1, channels=[channel])
    times, values = rows.channel_series(channel)
    if len(times) <= MIN_READINGS or times[-1] - times[0] <= MIN_SPAN_NS:
        return None
    return fit_temperature_trend((times - times[0]) / 1e9, np.asarray(values))
