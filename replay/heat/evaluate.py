"""From recordings of a joint to what is told of its heat: the one way in for commands."""
# ruff: noqa: N803 - units are written as units are: K, W and A are capitals

import math
from collections.abc import Sequence
from typing import Final

from logger.joint.thermal.thermal_load import Node
from replay.heat.answers import HOLDING_LOSS, equilibrium_at_end, held_for, load_for_ever
from replay.heat.fit import AmbientChoice, HeatFit, fit_heat
from replay.heat.known_peaks import known_peaks
from replay.heat.peak_load import PeakLoad, PeakSource
from replay.heat.result import Assumption, Basis, HeatResult, HeldFor, LoadBand
from replay.recording import Recording

__all__ = ["AmbientChoice", "answer_heat", "evaluate_heat"]

AMBIENTS_DEGC: Final = (0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0)
REFERENCE_DEGC: Final = 40.0
"""The coolant that IEC 60034-1 refers to."""


def evaluate_heat(
    recordings: Sequence[Recording],
    joint: str,
    *,
    ambient: AmbientChoice | None = None,
    limit_degC: float | None = None,
) -> HeatResult:
    """Return what recordings tell of a joint's heat; see `answer_heat`.

    Raises
    ------
    HeatFault
        Nothing can be fitted to these recordings; its `kind` says why.
    """
    fit = fit_heat(recordings, joint, ambient=ambient)
    return answer_heat(fit, limit_degC=limit_degC, peaks=known_peaks(fit, recordings))


def answer_heat(
    fit: HeatFit,
    *,
    limit_degC: float | None = None,
    reference_degC: float = REFERENCE_DEGC,
    is_holding: bool = False,
    loads: Sequence[float] | None = None,
    peaks: Sequence[PeakLoad] = (),
) -> HeatResult:
    """Return what a fitted joint's heat is, and what the joint bears.

    Parameters
    ----------
    limit_degC
        The temperature that the node with the sensor (the winding, if it has one) must not pass;
        None: nothing is said of what the joint bears.
    reference_degC
        The ambient of the times and of the sentence; where the room is not known, they are for the
        temperature without load.
    is_holding
        Times are for holding at standstill; False: for rotating.
    loads
        Whose times are told, in the fit's unit; None: shares of what is borne for ever.
    peaks
        Beyond which times by heat alone are not to be relied on, the lowest first; see
        `known_peaks`.
    """
    bands: tuple[LoadBand, ...] = ()
    times: tuple[HeldFor, ...] = ()
    held_at = None
    if limit_degC is not None and fit.is_load_known:
        held_at = reference_degC if fit.has_room else fit.idle_degC
        ambients = sorted({*AMBIENTS_DEGC, held_at}) if fit.has_room else [held_at]
        bands = load_for_ever(
            fit.joints,
            node=fit.node,
            limit_degC=limit_degC,
            ambients_degC=ambients,
            per_ampere=fit.load_factor,
            speed_rad_s=fit.rms_speed_rad_s,
        )
        times = held_for(
            fit.joints,
            node=fit.node,
            limit_degC=limit_degC,
            ambient_degC=held_at,
            per_ampere=fit.load_factor / math.sqrt(HOLDING_LOSS if is_holding else 1.0),
            loads=loads,
            more=[one.load for one in peaks if one.source is not PeakSource.RECORDED],
        )
    has_changed = fit.has_changed
    return HeatResult(
        joint=fit.joint,
        labels=fit.labels,
        model=fit.reported_model,
        quantities=() if has_changed else fit.quantities,
        # Where the joint became another one no measurement of these would settle it.
        unknown=() if has_changed else fit.unknown,
        basis=_basis(fit),
        has_changed=has_changed,
        changes=fit.changes,
        start_ns=fit.read.start_ns,
        neighbours=fit.neighbours,
        equilibrium=None if has_changed else equilibrium_at_end(fit.problem, fit.mode, fit.node),
        node=fit.node,
        limit_degC=limit_degC,
        load_unit=fit.load_unit,
        torque_per_ampere=None if fit.load_unit == "A" else fit.torque_per_ampere,
        peaks=tuple(peaks),
        for_ever=bands,
        held_at_degC=held_at,
        held_for=times,
        is_holding=is_holding,
        ambient_is_idle=not fit.has_room,
        assumptions=_assumptions(fit, answers=bool(bands)),
        cautions=fit.cautions if bands else (),
    )


def _basis(fit: HeatFit) -> Basis:
    read = fit.read
    squares = sum(
        float(
            one.n
            @ (fit.problem.shown_by(one, fit.mode.outer, fit.mode.unknowns) - one.value_degC) ** 2
        )
        for one in fit.own_sensors
    )
    return Basis(
        recordings=read.recordings,
        spans_ns=read.spans_ns,
        hours=read.trace.hours,
        skipped_s=read.skipped_s,
        load_channel=read.load,
        sensors=tuple(f"{one.joint}.{one.channel}" for one in read.sources),
        residual_K=math.sqrt(squares / sum(float(one.n.sum()) for one in fit.own_sensors)),
        left_out_K=fit.left_out_K,
    )


def _assumptions(fit: HeatFit, *, answers: bool) -> tuple[Assumption, ...]:
    model = fit.problem.model
    in_winding = model.loss_node is Node.WINDING
    place = Assumption.STANDBY_IN_WINDING if in_winding else Assumption.STANDBY_IN_HOUSING
    room = place if fit.has_room else Assumption.AMBIENT_DRIFTS
    assumptions = [Assumption.COPPER, room, Assumption.SENSORS_TRUE]
    if fit.is_lag_alike:
        assumptions.append(Assumption.LAG_ALIKE)
    elif not model.lags:
        assumptions.append(Assumption.NO_SENSOR_LAG)
    if fit.problem.lags_s:
        assumptions.append(Assumption.LAG_STATED)
    if fit.ambient.stated_degC is not None:
        assumptions.append(Assumption.AMBIENT_STATED)
    if fit.ambient.dated:
        assumptions.append(Assumption.AMBIENT_DATED)
    if fit.read.load == "torque_Nm":
        assumptions.append(Assumption.TORQUE_FOR_CURRENT)
    if answers:
        assumptions += [Assumption.HOLDING_DOUBLES, Assumption.STATED_LIMIT]
    return tuple(assumptions)
