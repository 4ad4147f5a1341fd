"""Stretches in which a set-point asks for more than comes, found in a trace: a mean row each. Pure.

A joint on its way to a new set-point asks for more as well; what stands still meanwhile, the
current while it accelerates, is as good evidence as what stands still at the end.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.channels import channel_named, setpoint_of
from replay.measure.setup import SpanTrace

__all__ = ["CANDIDATES", "AskedHold", "asked_holds", "modes_of"]

CANDIDATES: Final = ("current_A", "torque_Nm", "speed_rad_s")
"""What a ceiling can be of."""
CONDITIONS: Final = (
    "voltage_V",
    "temperature_winding_degC",
    "temperature_drive_degC",
    "temperature_housing_degC",
)
HOLD_LEAST_S: Final = 0.25
BEYOND_SHARE: Final = 1.25
"""A channel that was so many times higher on the way is not held by what it comes to rest at."""
BEYOND_LEAST_S: Final = 0.03
GAP_SHARE: Final = 0.02
"""More than so much of the set-point has to be missing, and than five times the scatter."""
_MODES: Final = {
    "torque": ("torque_setpoint_Nm", "torque_Nm"),
    "current": ("current_setpoint_A", "current_A"),
    "speed": ("speed_setpoint_rad_s", "speed_rad_s"),
    "position": ("position_setpoint_rad", "position_rad"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedHold:
    """One stretch: means of magnitudes, and how sure each mean is."""

    mode: str
    start_s: float
    duration_s: float
    asked: float
    came: float
    mean: dict[str, float]
    """Channel -> mean of its magnitude."""
    scatter: dict[str, float]
    """Channel -> standard uncertainty of that mean."""
    exceeded: frozenset[str] = frozenset()
    """Candidates that were well above that mean on the way: it is no ceiling of theirs."""


def modes_of(span: SpanTrace) -> list[str]:
    """Return the control modes that a span speaks of.

    By its name, else by what the drive reports, else by the set-points that are there.
    """
    if span.role in _MODES:
        return [span.role]
    reported = {mode for _, mode in span.modes}
    return [
        mode
        for mode, (asked, _) in _MODES.items()
        if len(span.channel(asked)[0]) > 1 and (not span.modes or mode in reported)
    ]


def asked_holds(span: SpanTrace, mode: str) -> Iterator[AskedHold]:
    """Yield the stretches of a span in which this mode's set-point asks for more than comes."""
    asked_name, came_name = _MODES[mode]
    assert setpoint_of(came_name) == asked_name
    asked_s, asked_all = span.channel(asked_name)
    time_s, came = span.channel(came_name)
    if len(asked_s) < 2 or len(time_s) < 8:
        return
    # A set-point holds until the next one, as long as a reading stands: it is not interpolated.
    at = np.clip(np.searchsorted(asked_s, time_s, "right") - 1, 0, None)
    asked = asked_all[at]
    is_valid = (asked_s[at] <= time_s) & (
        time_s - asked_s[at] <= span.holds_s.get(asked_name, np.inf)
    )
    if span.role not in _MODES:
        is_valid &= span.is_in_mode(mode, time_s)
    noise = 1.4826 * float(np.median(np.abs(np.diff(came, 2)))) / np.sqrt(6.0)
    span_of = float(np.ptp(asked_all)) if mode == "position" else 0.0
    missing = np.sign(asked) * (asked - came) if mode != "position" else np.abs(asked - came)
    is_asked = missing > np.maximum(
        GAP_SHARE * np.maximum(np.abs(asked), span_of), max(5.0 * noise, 1e-9)
    )
    is_asked &= is_valid
    moved = np.abs(np.diff(asked, prepend=asked[0])) > 0.5 * GAP_SHARE * np.abs(asked).max()
    if mode == "position":
        moved[:] = False
    edges = np.flatnonzero(np.diff(is_asked.astype(int), prepend=-1) | moved)
    for begin, end in pairwise([*edges.tolist(), len(time_s)]):
        if not is_asked[begin] or end - begin < 8:
            continue
        # The first fifth is on its way: a drive needs a moment to reach its ceiling.
        rows = slice(begin + (end - begin) // 5, end)
        if time_s[end - 1] - time_s[begin] >= HOLD_LEAST_S:
            yield _hold(
                span, mode, time_s[rows], asked[rows], came[rows], begun_s=float(time_s[begin])
            )


def _hold(
    span: SpanTrace, mode: str, time_s: Floats, asked: Floats, came: Floats, *, begun_s: float
) -> AskedHold:
    start_s, end_s = float(time_s[0]), float(time_s[-1])
    mean, scatter, exceeded = {}, {}, set()
    for name in (*CANDIDATES, *CONDITIONS):
        own_s, values = span.channel(name)
        inside = values[(own_s >= start_s) & (own_s <= end_s)]
        if not len(inside):
            continue
        if name in CANDIDATES and abs(inside.mean()) < np.std(inside):
            continue  # noise about nothing: a joint that is held fast has no ceiling of speed
        sizes = np.abs(inside) if channel_named(name).magnitude or name in CANDIDATES else inside
        mean[name] = float(sizes.mean())
        # Readings of a stretch are not independent: ripple and wander make ten tell as one.
        spread = float(np.std(sizes, ddof=1)) if len(sizes) > 1 else 0.0
        step = span.grids.get(name, 0.0)
        scatter[name] = float(
            np.hypot(spread / np.sqrt(max(len(sizes) / 10.0, 1.0)), step / np.sqrt(12.0))
        )
        if name in CANDIDATES:
            whole = (own_s >= begun_s) & (own_s <= end_s)
            beyond = np.abs(values[whole]) > BEYOND_SHARE * mean[name] + 5.0 * spread
            if float(beyond.mean()) * (end_s - begun_s) >= BEYOND_LEAST_S:
                exceeded.add(name)
    return AskedHold(
        mode=mode,
        start_s=start_s,
        duration_s=end_s - start_s,
        asked=float(np.mean(np.abs(asked))),
        came=float(np.mean(np.abs(came))),
        mean=mean,
        scatter=scatter,
        exceeded=frozenset(exceeded),
    )
