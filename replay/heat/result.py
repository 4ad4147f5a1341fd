"""What is told of a joint's heat: typed, with what it rests on and what was assumed. Pure."""
# ruff: noqa: N815 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from logger.heat.model import HeatModel
from logger.joint.thermal.thermal_load import Node
from replay.heat.found_change import FoundChange
from replay.heat.neighbours import Neighbour
from replay.heat.peak_load import PeakLoad, peaks_passed
from replay.heat.quantity import Quantity, QuantityName

__all__ = [
    "Assumption",
    "Basis",
    "Caution",
    "Equilibrium",
    "HeatResult",
    "HeldFor",
    "LoadBand",
    "Remedy",
    "UnknownQuantity",
    "ValueBand",
]

ValueBand = tuple[float, float, float]
"""A value, and the low and high end of its 95 % interval."""


class Remedy(StrEnum):
    """The measurement that would settle what a trace does not know."""

    RECORD_AMBIENT = "record ambient"
    RECORD_WINDING = "record winding"
    SECOND_LOAD_LEVEL = "second load level"
    POWERED_UNLOADED = "powered unloaded"
    LOAD_STEPS = "load steps"
    LONGER_RECORDING = "longer recording"


class Assumption(StrEnum):
    """What a result takes for granted."""

    COPPER = "copper"
    """The winding is copper: 0.393 % more resistance a kelvin."""
    AMBIENT_DRIFTS = "ambient drifts"
    """The ambient was not recorded; it drifts like a room, and standby cannot be told from it."""
    AMBIENT_STATED = "ambient stated"
    AMBIENT_DATED = "ambient dated"
    """It was typed with its times."""
    STANDBY_IN_HOUSING = "standby in housing"
    STANDBY_IN_WINDING = "standby in winding"
    """The readings of both say so."""
    HOLDING_DOUBLES = "holding doubles"
    """At standstill one phase may carry the peak: twice the loss."""
    TORQUE_FOR_CURRENT = "torque for current"
    SENSORS_TRUE = "sensors true"
    """Errors of calibration are not in the intervals."""
    STATED_LIMIT = "stated limit"
    NO_SENSOR_LAG = "no sensor lag"
    """Sensors show what they are on at once: none was stated to lag, and none is seen to."""
    LAG_ALIKE = "lag alike"
    """The same, where this trace cannot tell a lag of the sensor from the winding."""
    LAG_STATED = "lag stated"


class Caution(StrEnum):
    """What a person has to know before acting on a figure."""

    THIS_MOUNTING = "this mounting"
    MAKER_FIRST = "maker first"
    NO_SAFETY_FUNCTION = "no safety function"
    WINDING_UNSEEN = "winding unseen"
    """The temperature is the housing's, and the winding is not known: it may be far warmer."""
    READING_LAGS = "reading lags"
    """The sensor of the node that a limit is for lags behind it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnknownQuantity:
    """What the trace does not know, and what would settle it."""

    name: QuantityName
    remedies: tuple[Remedy, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {"name": self.name.value, "remedies": [one.value for one in self.remedies]}


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a result stands on."""

    recordings: tuple[str, ...]
    spans_ns: tuple[tuple[int, int], ...]
    hours: float
    """With a known load."""
    skipped_s: float
    """Without one: gaps, and stretches that are too short."""
    load_channel: str
    sensors: tuple[str, ...]
    """`joint.channel` of each temperature."""
    residual_K: float
    """Root mean square of the joint's readings about the model."""
    left_out_K: float
    """The same over blocks that had no part in the fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Equilibrium:
    """Whether the joint is in thermal equilibrium at the end: less than 2 K/h (IEC 60034-1)."""

    rate_K_per_h: float
    is_reached: bool
    left_s: float
    """Until it is, if the load goes on as over the last hour; 0 where it is reached."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadBand:
    """A load that is borne for ever at an ambient: likeliest, and 95 % interval."""

    ambient_degC: float
    rotating: tuple[float, float, float]
    """Value, low, high: in N.m, or in the load channel's unit."""
    holding: tuple[float, float, float]
    """The same at standstill."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldFor:
    """For how long a load can be held (S2); inf for ever."""

    load: float
    cold_s: tuple[float, float, float]
    """From the temperature without load: value, low, high."""
    warm_s: tuple[float, float, float]
    """From the plateau of 80 % of the load that is borne for ever."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatResult:
    """Everything that recordings tell of a joint's heat."""

    joint: str
    labels: Mapping[str, str]
    """Joint -> what people call it."""
    model: HeatModel
    quantities: tuple[Quantity, ...]
    """Those that are known."""
    unknown: tuple[UnknownQuantity, ...]
    basis: Basis
    has_changed: bool
    """No one model describes the recordings: cooling or heat changed on the way, and nothing is
    said of what the joint bears."""
    changes: tuple[FoundChange, ...]
    """What changed, in order of time; sought only where `has_changed`."""
    start_ns: int
    """What the dates of `changes` count from."""
    neighbours: tuple[Neighbour, ...]
    """Joints whose temperature this one's surroundings follow."""
    equilibrium: Equilibrium | None
    node: Node
    """The node that the limit is for: it carries a sensor."""
    limit_degC: float | None
    """None: no limit was stated, so nothing is said of what is borne."""
    load_unit: str
    """UCUM: N.m, or A where no torque constant is declared."""
    torque_per_ampere: float | None
    """In N.m/A, as declared: by it a load in N.m is a current; None where that is not known."""
    peaks: tuple[PeakLoad, ...]
    """Beyond which a time that heat alone allows is not to be relied on, the lowest first."""
    for_ever: tuple[LoadBand, ...]
    held_at_degC: float | None
    """The ambient of `held_for` and of the sentence to copy: 40 degC, the coolant that IEC 60034-1
    refers to, or the idle temperature where the ambient is not known."""
    held_for: tuple[HeldFor, ...]
    is_holding: bool
    """Times and the sentence are for holding at standstill; False: for rotating."""
    ambient_is_idle: bool
    """The ambient of the tables is the temperature without load: it was not recorded."""
    assumptions: tuple[Assumption, ...]
    cautions: tuple[Caution, ...]

    def label_of(self, joint: str) -> str:
        """Return what people call a joint, this one or a neighbour."""
        return self.labels.get(joint, joint)

    def current_A(self, load: float) -> float | None:  # noqa: N802 - the unit's own spelling
        """Return the current that makes a load; None where that is not known, or it is one."""
        return None if self.torque_per_ampere is None else load / self.torque_per_ampere

    def _currents(self, loads: ValueBand) -> list[float] | None:
        per_ampere = self.torque_per_ampere
        return None if per_ampere is None else [load / per_ampere for load in loads]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object: times in s, never is null."""
        basis, equilibrium = self.basis, self.equilibrium
        return {
            "joint": self.joint,
            "nodes": self.model.nodes,
            "speed_loss": self.model.speed.value,
            "quantities": [one.to_json() for one in self.quantities],
            "unknown": [one.to_json() for one in self.unknown],
            "recordings": list(basis.recordings),
            "spans_ns": [list(span) for span in basis.spans_ns],
            "hours": basis.hours,
            "skipped_s": basis.skipped_s,
            "load_channel": basis.load_channel,
            "sensors": list(basis.sensors),
            "residual_K": basis.residual_K,
            "left_out_K": _finite(basis.left_out_K),
            "changed": self.has_changed,
            "changes": [one.to_json(self.start_ns) for one in self.changes],
            "neighbours": [one.to_json() for one in self.neighbours],
            "equilibrium": None
            if equilibrium is None
            else {
                "rate_K_per_h": equilibrium.rate_K_per_h,
                "reached": equilibrium.is_reached,
                "left_s": _finite(equilibrium.left_s),
            },
            "limit_node": self.node.value,
            "limit_degC": self.limit_degC,
            "load_unit": self.load_unit,
            "torque_per_ampere": self.torque_per_ampere,
            "peaks": [one.to_json() for one in self.peaks],
            "ambient_is_idle": self.ambient_is_idle,
            "for_ever": [
                {
                    "ambient_degC": one.ambient_degC,
                    "rotating": list(one.rotating),
                    "rotating_A": self._currents(one.rotating),
                    "holding": list(one.holding),
                    "holding_A": self._currents(one.holding),
                }
                for one in self.for_ever
            ],
            "held_at_degC": self.held_at_degC,
            "held_at_standstill": self.is_holding,
            "held_for": [
                {
                    "load": one.load,
                    "current_A": self.current_A(one.load),
                    "beyond": [peak.source.value for peak in peaks_passed(self.peaks, one.load)],
                    "cold_s": [_finite(value) for value in one.cold_s],
                    "warm_s": [_finite(value) for value in one.warm_s],
                }
                for one in self.held_for
            ],
            "assumptions": [one.value for one in self.assumptions],
            "cautions": [one.value for one in self.cautions],
        }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
