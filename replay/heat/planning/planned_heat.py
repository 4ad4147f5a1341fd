"""A planned motion on a fitted joint: how warm it gets, and whether it can go on for ever. Pure.

Each draw of what the fit leaves open goes through the motion again and again, from the joint
without load. Bands hold 95 of 100 draws.
"""
# ruff: noqa: N803, N815 - units are written as units are

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import numpy as np

from logger.arrays import Floats
from logger.heat.model import SpeedLoss
from logger.joint.thermal.thermal_load import JointHeat, Node, OneNode
from logger.joint.thermal.thermal_motion import RepeatedMotion
from replay.heat.answers import column_band, settled_starts
from replay.heat.fit import HeatFit
from replay.heat.planning.motion import Motion, motion_steps
from replay.heat.planning.motion_faults import MotionFault, MotionFaultKind
from replay.heat.result import Caution, ValueBand
from replay.heat.words import load_lack_text

__all__ = ["PlannedAssumption", "PlannedHeat", "Verdict", "plan_heat"]

SURE: Final = 0.975
"""Of the draws, that agree where it is said without doubt."""
MOST_TIMES: Final = 30.0
"""What is recorded at most: a motion beyond is of another unit (mA, N.mm), and no trace tells what
it warms a joint by."""


class Verdict(StrEnum):
    """Whether a motion stays below a temperature."""

    HOLDS = "holds"
    TOO_WARM = "too warm"
    NOT_SURE = "not sure"
    """The trace does not know the joint well enough to tell."""


class PlannedAssumption(StrEnum):
    """What is taken for granted of a planned motion."""

    FROM_COLD = "from cold"
    AS_RECORDED = "as recorded"
    """Mounting, airflow and friction are those of the recordings; standing parts count as they did
    there, though one phase may carry the peak all the time at standstill."""
    NO_SPEED = "no speed"
    """The motion names no speed, and the joint loses heat by it: that is left out."""
    NO_SPEED_LOSS = "no speed loss"
    """The recordings show no loss by speed, so the motion's speed changes nothing."""
    IDLE_AS_AMBIENT = "idle as ambient"
    """The room was not recorded: the ambient is the temperature without load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedHeat:
    """What a fitted joint does under a motion; bands are value, low, high."""

    motion: str
    load_unit: str
    """Of the motion, UCUM."""
    lasts_s: float
    """One pass."""
    passes: int | None
    """How often it is done; None: for ever."""
    factor: float
    stretch: float
    rms: float
    peak: float
    node: Node
    limit_degC: float
    ambient_degC: float
    ambient_is_idle: bool
    hottest_degC: ValueBand
    """Of all passes that are asked for; inf: it never settles."""
    margin_K: ValueBand
    """Up to the limit."""
    holds_share: float
    """Of the draws, that stay below the limit."""
    verdict: Verdict
    first_over_s: ValueBand
    """When the limit is first reached: value, earliest, latest; inf: never."""
    assumptions: tuple[PlannedAssumption, ...]
    cautions: tuple[Caution, ...]

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON object; never, and what has no bound, is null."""
        return {
            "motion": self.motion,
            "load_unit": self.load_unit,
            "lasts_s": self.lasts_s,
            "passes": self.passes,
            "factor": self.factor,
            "stretch": self.stretch,
            "rms": self.rms,
            "peak": self.peak,
            "node": self.node.value,
            "limit_degC": self.limit_degC,
            "ambient_degC": self.ambient_degC,
            "ambient_is_idle": self.ambient_is_idle,
            "hottest_degC": _number_or_null(self.hottest_degC),
            "margin_K": _number_or_null(self.margin_K),
            "holds_share": self.holds_share,
            "verdict": self.verdict.value,
            "first_over_s": _number_or_null(self.first_over_s),
            "assumptions": [one.value for one in self.assumptions],
            "cautions": [one.value for one in self.cautions],
        }


def plan_heat(
    fit: HeatFit,
    motion: Motion,
    *,
    limit_degC: float,
    ambient_degC: float,
    passes: int | None = None,
    factor: float = 1.0,
    stretch: float = 1.0,
) -> PlannedHeat:
    """Return what a fitted joint does under a motion.

    Parameters
    ----------
    ambient_degC
        Where the room is not known (`has_room`), the temperature without load.
    passes
        How often the motion is done; None: for ever.
    factor, stretch
        On the load, and on the time that a pass takes.

    Raises
    ------
    MotionFault
        The motion's load cannot be made the one that heat was fitted to, or is far beyond what was
        recorded; or the fit does not know what a load warms the joint by.
    """
    if not fit.is_load_known:
        raise MotionFault(
            MotionFaultKind.LOAD_NOT_KNOWN,
            where=motion.name,
            found=f"recordings of {fit.label} that do not tell what a load warms it by",
            hint=load_lack_text(fit),
        )
    changed = motion.changed(factor=factor, stretch=stretch)
    per_load = _per_load(fit, motion)
    times = changed.rms * per_load / fit.highest_rms_load
    if times > MOST_TIMES:
        raise MotionFault(
            MotionFaultKind.LOAD_FAR_OFF,
            where=motion.name,
            found=f"a load of {times:.3g} times the highest that is recorded of {fit.label} (RMS)",
        )
    run = RepeatedMotion(
        fit.joints,
        motion_steps(changed, per_load=per_load, fast_s=_fast_s(fit.joints[0])),
        node=fit.node,
        ambient_degC=ambient_degC,
    )
    start = settled_starts(fit.joints, ambient_degC, 0.0)
    hottest = _hottest(run, start, passes)
    over_s = run.first_over_s(limit_degC, start)
    if passes is not None:
        over_s = np.where(over_s <= passes * changed.lasts_s, over_s, math.inf)
    below = hottest < limit_degC
    share = float(below[1:].mean())
    verdict = (
        Verdict.HOLDS
        if share >= SURE and below[0]
        else (Verdict.TOO_WARM if share <= 1.0 - SURE and not below[0] else Verdict.NOT_SURE)
    )
    value, low, high = column_band(hottest[:, None], 0)
    return PlannedHeat(
        motion=motion.name,
        load_unit="N.m" if motion.load_channel == "torque_Nm" else "A",
        lasts_s=changed.lasts_s,
        passes=passes,
        factor=factor,
        stretch=stretch,
        rms=changed.rms,
        peak=changed.peak,
        node=fit.node,
        limit_degC=limit_degC,
        ambient_degC=ambient_degC,
        ambient_is_idle=not fit.has_room,
        hottest_degC=(value, low, high),
        margin_K=(limit_degC - value, limit_degC - high, limit_degC - low),
        holds_share=share,
        verdict=verdict,
        first_over_s=column_band(over_s[:, None], 0),
        assumptions=_planned_assumptions(fit, motion),
        cautions=fit.cautions,
    )


def _hottest(run: RepeatedMotion, start: Floats, passes: int | None) -> Floats:
    """Return the highest temperature of all passes: from cold the last one is the warmest."""
    if passes is None:
        return run.hottest_degC(run.settled_degC())
    return run.hottest_degC(run.start_of_pass(max(passes - 1, 0), start))


def _per_load(fit: HeatFit, motion: Motion) -> float:
    """Return what heat was fitted to, for one of the motion's load."""
    if motion.load_channel == fit.read.load:
        return 1.0
    if fit.torque_per_ampere is None:
        has_torque = motion.load_channel == "torque_Nm"
        found = "a torque, while the joint's heat was fitted to its current"
        if not has_torque:
            found = "a current, while the joint's heat was fitted to its torque"
        raise MotionFault(MotionFaultKind.NO_CONSTANT, where=motion.name, found=found)
    per_ampere = fit.torque_per_ampere
    return 1.0 / per_ampere if motion.load_channel == "torque_Nm" else per_ampere


def _fast_s(joint: JointHeat) -> float:
    network = joint.network
    return network.time_constant_s if isinstance(network, OneNode) else network.time_constants_s[1]


def _planned_assumptions(fit: HeatFit, motion: Motion) -> tuple[PlannedAssumption, ...]:
    out = [PlannedAssumption.FROM_COLD, PlannedAssumption.AS_RECORDED]
    if fit.problem.model.speed is SpeedLoss.NONE:
        out.append(PlannedAssumption.NO_SPEED_LOSS)
    elif motion.speed is None:
        out.append(PlannedAssumption.NO_SPEED)
    if not fit.has_room:
        out.append(PlannedAssumption.IDLE_AS_AMBIENT)
    return tuple(out)


def _number_or_null(band: ValueBand) -> list[float | None]:
    return [one if math.isfinite(one) else None for one in band]
