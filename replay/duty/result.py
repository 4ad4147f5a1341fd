"""What is told of a load as it was: typed, with what it rests on and what was assumed. Pure."""
# ruff: noqa: N815 - units are written as units are: K, W and J are capitals

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from logger.joint.thermal.thermal_load import Node
from replay.duty.cycle_search import FoundCycle
from replay.duty.duty_type import FoundDuty
from replay.duty.load_map import LoadMap, Work
from replay.duty.rainflow import RangeSpectrum
from replay.duty.rms_windows import WindowRms
from replay.heat.faults import HeatFaultKind
from replay.heat.peak_load import PeakLoad, peaks_passed
from replay.heat.result import ValueBand
from replay.serials import OtherSerial

__all__ = [
    "AllowedLoad",
    "CopperLoss",
    "DutyAssumption",
    "DutyCaution",
    "DutyResult",
    "HeldAgainst",
    "ModelLimit",
    "NoModel",
    "TightestWindow",
]


class HeldAgainst(StrEnum):
    """What an RMS is held against."""

    MODEL = "model"
    """The load that the fitted joint holds for as long."""
    RATED = "rated"
    """The maker's value, for windows of ten minutes and more."""


class NoModel(StrEnum):
    """Why nothing is said of what the fitted joint holds."""

    NO_LIMIT = "no limit"
    """No temperature was stated that must not be passed."""
    LOAD_NOT_KNOWN = "load not known"
    """A fit was made, but what a load warms the joint by does not follow from it."""
    OTHER_LOAD = "other load"
    """The joint was fitted by another channel, and nothing makes one of the other."""
    NOT_FITTED = "not fitted"
    """`heat_fault` says why."""


class DutyAssumption(StrEnum):
    """What an account of a load takes for granted."""

    READINGS_TRUE = "readings true"
    """Errors of calibration are in no figure."""
    TORQUE_FROM_CURRENT = "torque from current"
    AS_IT_WAS = "as it was"
    """The joint holds what it holds at the ambient of the recording, rotating, from warm."""
    SLOPES_ASSUMED = "slopes assumed"
    """Nobody stated the slopes of the damage."""
    COPPER_AT_REFERENCE = "copper at reference"
    """No winding temperature is recorded: its resistance is that at the reference."""
    STATED_LIMIT = "stated limit"


class DutyCaution(StrEnum):
    """What a person has to know before acting on a figure."""

    THIS_MOUNTING = "this mounting"
    MAKER_FIRST = "maker first"
    RELATIVE_ONLY = "relative only"
    """Damage compares loads; it is no life."""
    NO_SAFETY_FUNCTION = "no safety function"


@dataclass(frozen=True, slots=True, kw_only=True)
class AllowedLoad:
    """What the fitted joint holds for a time, from warm, with its 95 % interval."""

    window_s: int
    load: ValueBand


@dataclass(frozen=True, slots=True)
class ModelSource:
    """Another recording, which the model was fitted to."""

    recording: str
    start_ns: int
    finding: str = ""
    """Id of the finding that holds the model; "": it was fitted anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelLimit:
    """What the allowed loads are for."""

    node: Node
    limit_degC: float
    ambient_degC: float
    ambient_is_idle: bool
    """It is the temperature without load: the room was not recorded."""
    fitted_to: tuple[ModelSource, ...] = ()
    """Empty: the account's own recording."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TightestWindow:
    """The window in which the load comes nearest to what is allowed."""

    window: WindowRms
    against: HeldAgainst
    allowed: ValueBand
    share: ValueBand
    """RMS against it: value, and the interval that follows from the allowed load's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CopperLoss:
    """What the winding turned into heat."""

    energy_J: float
    mean_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyResult:
    """Everything that a span of a recording tells of a joint's load."""

    joint: str
    label: str
    """What people call the joint."""
    recording: str
    start_ns: int
    end_ns: int
    load_channel: str
    unit: str
    """UCUM: N.m, or A."""
    held_s: float
    skipped_s: float
    """Gaps."""
    rms: float
    """Time-weighted."""
    lowest: float
    highest: float
    windows: tuple[WindowRms, ...]
    allowed: tuple[AllowedLoad, ...]
    limit: ModelLimit | None
    no_model: NoModel | None
    heat_fault: HeatFaultKind | None
    other_serial: OtherSerial | None
    """Of what specimens the recordings are, where the fault is that they are of several."""
    rated: float | None
    tightest: TightestWindow | None
    peaks: tuple[PeakLoad, ...]
    """Beyond which it holds a load by heat alone, the lowest first."""
    cycles: tuple[FoundCycle, ...]
    duty: FoundDuty
    work: Work | None
    copper: CopperLoss | None
    load_map: LoadMap | None
    load_ranges: RangeSpectrum
    temperature_ranges: dict[str, RangeSpectrum]
    """Channel -> its ranges, in K."""
    assumptions: tuple[DutyAssumption, ...]
    cautions: tuple[DutyCaution, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object: times in s, instants in ns since 1970."""
        allowed = {one.window_s: list(one.load) for one in self.allowed}
        duty, limit = self.duty, self.limit
        return {
            "joint": self.joint,
            "recording": self.recording,
            "span_ns": [self.start_ns, self.end_ns],
            "load_channel": self.load_channel,
            "unit": self.unit,
            "held_s": self.held_s,
            "skipped_s": self.skipped_s,
            "rms": self.rms,
            "lowest": self.lowest,
            "highest": self.highest,
            "windows": [
                {
                    **_window_json(one),
                    "allowed": allowed.get(one.window_s),
                    "allowed_beyond": [
                        peak.source.value
                        for peak in peaks_passed(self.peaks, allowed.get(one.window_s, [0.0])[0])
                    ],
                }
                for one in self.windows
            ],
            "peaks": [one.to_json() for one in self.peaks],
            "limit": None
            if limit is None
            else {
                "node": limit.node.value,
                "limit_degC": limit.limit_degC,
                "ambient_degC": limit.ambient_degC,
                "ambient_is_idle": limit.ambient_is_idle,
                "fitted_to": [
                    {
                        "recording": one.recording,
                        "start_ns": one.start_ns,
                        "finding": one.finding or None,
                    }
                    for one in limit.fitted_to
                ],
            },
            "no_model": None if self.no_model is None else self.no_model.value,
            "heat_fault": None if self.heat_fault is None else self.heat_fault.value,
            "rated": self.rated,
            "tightest": _tightest_json(self.tightest),
            "cycles": [
                {
                    "period_s": list(one.period_s),
                    "drift_per_h": None if one.drift_per_h is None else list(one.drift_per_h),
                    "share": one.share,
                    "blocks": one.blocks,
                }
                for one in self.cycles
            ],
            "duty": {
                "type": duty.kind.value,
                "reason": duty.reason.value,
                "loaded_share": duty.loaded_share,
                "loaded_rms": duty.loaded_rms,
                "varying": duty.is_varying,
                "lasted_s": duty.lasted_s,
                "rest_s": duty.rest_s,
            },
            "work": None
            if self.work is None
            else {
                "positive_J": self.work.positive_J,
                "negative_J": self.work.negative_J,
                "peak_W": self.work.peak_W,
                "held_s": self.work.held_s,
            },
            "copper": None
            if self.copper is None
            else {"energy_J": self.copper.energy_J, "mean_W": self.copper.mean_W},
            "map": _map_json(self.load_map),
            "load_ranges": _ranges_json(self.load_ranges),
            "temperature_ranges": {
                name: _ranges_json(one) for name, one in self.temperature_ranges.items()
            },
            "assumptions": [one.value for one in self.assumptions],
            "cautions": [one.value for one in self.cautions],
        }


def _window_json(one: WindowRms) -> dict[str, Any]:
    return {
        "window_s": one.window_s,
        "rms": one.rms,
        "at_most": one.at_most,
        "start_ns": one.start_ns,
    }


def _tightest_json(one: TightestWindow | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        **_window_json(one.window),
        "against": one.against.value,
        "allowed": list(one.allowed),
        "share": list(one.share),
    }


def _map_json(one: LoadMap | None) -> dict[str, Any] | None:
    if one is None:
        return None
    rows, columns = one.share.nonzero()
    return {
        "load_edges": one.load_edges.tolist(),
        "speed_edges": one.speed_edges.tolist(),
        "cells": [
            {"load": int(row), "speed": int(column), "share": float(one.share[row, column])}
            for row, column in zip(rows, columns, strict=True)
        ],
        "held_s": one.held_s,
    }


def _ranges_json(one: RangeSpectrum) -> dict[str, Any]:
    return {
        "edges": one.edges.tolist(),
        "count": one.count.tolist(),
        "largest": one.largest,
        "slope": one.slope,
        "equivalent": one.equivalent,
        "ignored_below": one.ignored_below,
    }
