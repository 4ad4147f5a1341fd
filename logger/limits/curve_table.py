"""One time-current or thermal curve as rows, to compare with a handbook. Pure."""

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.errors import InputError
from logger.joint.channels import channel_named
from logger.joint.quantities import DISPLAYS
from logger.limits.curves import (
    CURVES,
    FLAT_ABOVE,
    CurveSettings,
    inverse_operate_s,
    thermal_operate_s,
)
from logger.limits.limit import LimitSet
from logger.limits.thresholds import at_least
from logger.settings_file import nearest_name

__all__ = ["CurveRow", "CurveSettings", "CurveTable", "curve_table", "limit_curve_settings"]

TABLE_MULTIPLES: Final = (
    1.0,
    1.05,
    1.1,
    1.2,
    1.3,
    1.5,
    1.75,
    2,
    2.5,
    3,
    4,
    5,
    6,
    8,
    10,
    15,
    20,
    30,
)
_DRAWN_POINTS: Final = 600


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveRow:
    """One point of the curve."""

    multiple: float
    """Of the setting."""
    current: float
    time_s: float | None
    """None: for ever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveTable:
    """The curve in rows, and in words."""

    settings: CurveSettings
    title: str
    rows: tuple[CurveRow, ...]

    def to_json(self) -> dict[str, Any]:
        """Return its title and rows as plain content; a current that lasts for ever has null."""
        return {
            "title": self.title,
            "rows": [
                {"multiple": one.multiple, "current": one.current, "time_s": one.time_s}
                for one in self.rows
            ],
        }

    def points_to_draw(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return currents and times, close enough to draw a line through."""
        multiple = np.geomspace(1.001, 1.5 * FLAT_ABOVE, _DRAWN_POINTS)
        return multiple * self.settings.setting, _operate_times_s(self.settings, multiple)


def curve_table(settings: CurveSettings) -> CurveTable:
    """Return the curve.

    Raises
    ------
    InputError
        There is no such curve, or a setting is out of range.
    """
    curve_names = [*CURVES, "thermal"]
    if settings.curve not in curve_names:
        in_capitals = settings.curve.upper()
        hint = nearest_name(in_capitals, curve_names) if in_capitals in curve_names else ""
        raise InputError(
            f"CURVE: found {settings.curve!r}, expected one of {', '.join(curve_names)}.{hint}"
        )
    for option, value in (
        ("--setting", settings.setting), ("--tms", settings.tms), ("--k", settings.k),
        ("--tau", settings.tau_s),
    ):  # fmt: skip
        if not 0 < value < np.inf:
            raise InputError(f"{option}: found {value:g}, expected greater than 0.")
    carried = settings.k * settings.setting * settings.full**0.5
    if not 0 <= abs(settings.preload) <= carried:
        raise InputError(
            f"--preload: found {settings.preload:g}, expected at most {carried:g}: more would have "
            "operated before."
        )
    times = _operate_times_s(settings, np.array(TABLE_MULTIPLES))
    return CurveTable(
        settings=settings,
        title=_curve_title(settings),
        rows=tuple(
            CurveRow(
                multiple=float(multiple),
                current=float(multiple * settings.setting),
                time_s=float(time_s) if np.isfinite(time_s) else None,
            )
            for multiple, time_s in zip(TABLE_MULTIPLES, times.tolist(), strict=True)
        ),
    )


def limit_curve_settings(
    limits: LimitSet, name: str, *, preload: float = 0.0
) -> tuple[CurveSettings, str]:
    """Return the curve of a limit, and the unit that its currents are in.

    Raises
    ------
    InputError
        There is no limit of that name, or it has no curve.
    """
    curves = {
        one.name: (one, settings)
        for one in limits.limits
        if (settings := one.curve_settings()) is not None
    }
    if name not in curves:
        why_not = "which has no curve" if limits.by_name(name) else "which is none of the file"
        names = ", ".join(curves) or "none: it has no such limit"
        raise InputError(
            f"CURVE: found {name!r}, {why_not}; expected an inverse-time or a thermal limit of it "
            f"({names})."
        )
    limit, settings = curves[name]
    channel = limit.needed_channels[0][1]
    unit = "of rated" if limit.needs_rated else DISPLAYS[channel_named(channel).quantity].unit
    return replace(settings, preload=preload), unit


def _operate_times_s(settings: CurveSettings, multiple: NDArray[np.float64]) -> NDArray[np.float64]:
    if settings.curve != "thermal":
        times = inverse_operate_s(
            CURVES[settings.curve], multiple, tms=settings.tms, flat_above=settings.flat_above
        )
        return np.where(multiple >= at_least(settings.from_multiple), times, np.inf)
    # A limit that acts at a share of a full image equals a full image of a smaller current.
    carried = settings.k * settings.setting * settings.full**0.5
    return thermal_operate_s(
        multiple * settings.setting,
        carried=carried,
        tau_s=settings.tau_s,
        level=(settings.preload / carried) ** 2,
    )


def _curve_title(settings: CurveSettings) -> str:
    if settings.curve != "thermal":
        curve = CURVES[settings.curve]
        return (
            f"{curve.name.capitalize()} (curve {settings.curve} after IEC 60255-151), setting "
            f"{settings.setting:g}, time multiplier {settings.tms:g}"
        )
    preload_text = f"after {settings.preload:g}" if settings.preload else "cold"
    return (
        f"Thermal image after IEC 60255-149, {settings.k * settings.setting:g} carried for ever, "
        + (f"raised at {settings.full * 100:g} %, " if settings.full != 1.0 else "")
        + f"time constant {settings.tau_s:g} s, {preload_text}"
    )
