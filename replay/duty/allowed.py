"""What a joint holds for as long as each window lasts, and where a load comes nearest to it. Pure.

From the fitted joint: the highest load that can be held for a time, rotating, from the plateau of
80 % of what it bears for ever, at the ambient as it was. A node that was not read is not judged:
of a housing no times are told that are short against its time constant, since the winding decides
there.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

from replay.duty.result import AllowedLoad, HeldAgainst, TightestWindow
from replay.duty.rms_windows import WindowRms
from replay.heat.answers import longest_loads
from replay.heat.fit import HeatFit
from replay.heat.kept_model import KeptHeat

__all__ = ["allowed_loads", "tightest_window"]

RATED_FROM_S: Final = 600
"""A rated value is for duty without end: shorter windows are not held against it."""


def allowed_loads(
    fit: HeatFit | KeptHeat,
    windows: Sequence[WindowRms],
    *,
    limit_degC: float,  # noqa: N803
) -> tuple[AllowedLoad, ...]:
    """Return the load that the fitted joint holds for each window that it can tell."""
    least_s = fit.shortest_known_s
    judged = [one.window_s for one in windows if one.window_s >= least_s]
    if not judged:
        return ()
    loads = longest_loads(
        fit.joints,
        node=fit.node,
        limit_degC=limit_degC,
        ambient_degC=fit.idle_degC,
        per_ampere=fit.load_factor,
        time_s=np.array(judged, np.float64),
        is_warm=True,
    )
    return tuple(
        AllowedLoad(window_s=window, load=(float(row[0]), float(row[1]), float(row[2])))
        for window, row in zip(judged, loads, strict=True)
    )


def tightest_window(
    windows: Sequence[WindowRms], allowed: Sequence[AllowedLoad], rated: float | None
) -> TightestWindow | None:
    """Return the window nearest to what the model allows, else to the rated value; None for none.

    Parameters
    ----------
    rated
        In the unit of the load.
    """
    if not windows:
        return None
    against = HeldAgainst.MODEL
    limits = {one.window_s: one.load for one in allowed if one.load[0] > 0.0}
    if not limits:
        if rated is None:
            return None
        against = HeldAgainst.RATED
        least_s = min(RATED_FROM_S, windows[-1].window_s)
        limits = {one.window_s: (rated, rated, rated) for one in windows if one.window_s >= least_s}
    judged = [one for one in windows if one.window_s in limits]
    if not judged:
        return None
    window = max(judged, key=lambda one: one.rms / limits[one.window_s][0])
    value, low, high = limits[window.window_s]
    return TightestWindow(
        window=window,
        against=against,
        allowed=(value, low, high),
        share=(
            window.rms / value,
            window.rms / high,
            window.rms / low if low > 0.0 else float("inf"),
        ),
    )
