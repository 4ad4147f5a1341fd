"""The table `thermal` of a joint in the bench file: a fitted model of its heat. Pure data.

`dutytrace heat REC --write-bench BENCH` writes it; who knows a joint from elsewhere may write it by
hand, with its source. With it the recorder estimates and forecasts the joint's temperatures.
"""
# ruff: noqa: N815 - units are written as units are: K and A are capitals

import datetime
import math
from typing import Annotated, Final, Literal

import numpy as np
from pydantic import Field, model_validator

from logger.settings_file import SettingError, Settings

__all__ = ["ASSUMED_SPREAD", "ModelFinding", "ThermalSettings"]

ASSUMED_SPREAD: Final = 0.1
"""Standard uncertainty of each logarithm where nobody stated one: 10 %."""
_MOST: Final = 1e7
PositiveFigure = Annotated[float, Field(gt=0, le=_MOST)]
_Covariance = tuple[tuple[Annotated[float, Field(ge=-16, le=16)], ...], ...]
"""Of logarithms: a standard uncertainty of 4 is a factor of 50 already."""


class ModelFinding(Settings):
    """The finding of an earlier recording that a model was taken from."""

    id: str = Field(pattern=r"^[0-9a-f]{32}$")
    recording: str = Field(max_length=255)
    """The folder that it is kept in."""
    name: str = Field(max_length=255)
    """Of that recording, as its pages show it."""
    date: datetime.date
    """On which that recording began, UTC."""


class ThermalSettings(Settings):
    """How warm a joint gets under which load, and how well that is known."""

    load: Literal["current_A", "torque_Nm"] = "current_A"
    """The channel whose square warms the joint."""
    sensor: Literal["temperature_winding_degC", "temperature_housing_degC"] = (
        "temperature_housing_degC"
    )
    """Of a model without a winding: the temperature that it is of."""
    housing_rise: PositiveFigure
    """Rise above the ambient for each squared unit of the load, copper at 20 degC, in K."""
    housing_time_s: PositiveFigure
    winding_rise: PositiveFigure | None = None
    """Rise of the winding above the housing for each squared unit of the load, in K."""
    winding_time_s: PositiveFigure | None = None
    standby_rise_K: PositiveFigure | None = None
    """Rise by the drive alone; left out: it is part of the ambient."""
    speed_rise: PositiveFigure | None = None
    """Rise for each rad/s, or each (rad/s)^2."""
    speed_loss: Literal["linear", "square"] = "linear"
    loss_node: Literal["winding", "housing"] = "housing"
    """Where standby and speed loss arise."""
    winding_lag_s: PositiveFigure | None = None
    """Time constant with which the winding's sensor follows the winding; left out: at once."""
    housing_lag_s: PositiveFigure | None = None
    ambient_degC: float | None = Field(default=None, ge=-60, le=100)
    """What the joint rested at when it was fitted, where no ambient is recorded."""
    log_covariance: _Covariance = ()
    """Covariance of the natural logarithms of the figures above that are given, in this order."""
    source: str = Field(default="", max_length=400)
    """What it was fitted to, or who says so."""
    fitted: datetime.date | None = None
    finding: ModelFinding | None = Field(default=None, exclude_if=lambda value: value is None)
    """Where the recorder took it from; left out: it stands in the bench file itself."""

    @property
    def figures(self) -> dict[str, float]:
        """The parameters that are given, in the order of `log_covariance`."""
        every = {
            "housing_rise": self.housing_rise,
            "housing_time_s": self.housing_time_s,
            "winding_rise": self.winding_rise,
            "winding_time_s": self.winding_time_s,
            "standby_rise_K": self.standby_rise_K,
            "speed_rise": self.speed_rise,
            "winding_lag_s": self.winding_lag_s,
            "housing_lag_s": self.housing_lag_s,
        }
        return {name: value for name, value in every.items() if value is not None}

    @property
    def _lags(self) -> set[str]:
        """Where sensors lag."""
        stated = {"winding": self.winding_lag_s, "housing": self.housing_lag_s}
        return {place for place, lag_s in stated.items() if lag_s is not None}

    @model_validator(mode="after")
    def _fits(self) -> "ThermalSettings":
        if (self.winding_rise is None) != (self.winding_time_s is None):
            missing = "winding_rise" if self.winding_rise is None else "winding_time_s"
            raise SettingError(missing, "expected it, since the other figure of the winding is.")
        place = self.sensor.split("_")[1]
        if self.winding_rise is None and self._lags - {place}:
            other = f"{next(iter(self._lags - {place}))}_lag_s"
            raise SettingError(other, f"expected none: the model's only sensor is {self.sensor!r}.")
        count, rows = len(self.figures), self.log_covariance
        if rows:
            names = ", ".join(self.figures)
            if len(rows) != count or any(len(row) != count for row in rows):
                raise SettingError(
                    "log_covariance",
                    found=f"{len(rows)} rows of {', '.join(str(len(row)) for row in rows)}",
                    expected=f"{count} rows of {count}: {names}",
                )
            if not _is_covariance(rows):
                raise SettingError(
                    "log_covariance",
                    found="a matrix that is no covariance",
                    expected="a symmetric one of variances of at least 0, without correlations "
                    "beyond 1",
                )
        return self


def _is_covariance(rows: _Covariance) -> bool:
    if any(row[at] < 0.0 for at, row in enumerate(rows)):
        return False
    sd = [math.sqrt(row[at]) for at, row in enumerate(rows)]
    eigenvalues = np.linalg.eigvalsh(np.array(rows))
    if eigenvalues[0] < -1e-6 * max(float(eigenvalues[-1]), 1e-12):
        return False
    return all(
        abs(value - rows[j][i]) <= 1e-6 * (1e-12 + sd[i] * sd[j])
        and abs(value) <= sd[i] * sd[j] * (1.0 + 1e-6)
        for i, row in enumerate(rows)
        for j, value in enumerate(row)
    )
