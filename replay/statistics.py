"""Exact time-weighted figures of a span, at a cost that does not grow with the recording.

The whole seconds within come from the pyramid, widest in the middle, the two ends from the raw
rows; merged they are the figures of the raw rows to float64 rounding.
"""

from logger.joint.signals import Buckets, Figures, figures_of, spanned
from logger.store.overview import BASE_NS
from replay.recording import Recording

__all__ = ["Figures", "figures"]


def figures(recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int) -> Figures:
    """Return n, held time, minimum, maximum, mean and RMS of a channel over [start_ns, end_ns)."""
    inner_start = -(-start_ns // BASE_NS) * BASE_NS
    inner_end = end_ns // BASE_NS * BASE_NS
    if inner_end - inner_start < 2 * BASE_NS:
        return figures_of([_raw(recording, joint, channel, start_ns, end_ns)])
    buckets, counted_ns = recording.covering(joint, channel, inner_start, inner_end)
    return figures_of(
        [
            _raw(recording, joint, channel, start_ns, inner_start),
            *buckets,
            _raw(recording, joint, channel, counted_ns, end_ns),
        ]
    )


def _raw(recording: Recording, joint: str, channel: str, start_ns: int, end_ns: int) -> Buckets:
    if end_ns <= start_ns:
        return Buckets.none(1)
    time_ns, value = recording.readings(
        joint, start_ns, end_ns, channels=[channel], lead_in=True
    ).series(channel)
    return spanned(
        time_ns,
        value,
        hold_ns=recording.hold_ns(joint)[channel],
        start_ns=start_ns,
        end_ns=min(end_ns, recording.end_ns),
    )
