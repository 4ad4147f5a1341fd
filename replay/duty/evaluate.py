"""From a recording to what is told of a joint's load: the one way in for commands and pages."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from logger.arrays import Floats
from logger.joint.thermal.thermal_model import Winding
from logger.joint.time_weighted import Buckets, statistics_of
from logger.store.pyramid.seconds import BASE_NS
from logger.time_chunks import time_chunks
from replay.duty.allowed import allowed_loads, tightest_window
from replay.duty.duty_type import duty_type
from replay.duty.find_cycles import find_cycles
from replay.duty.load_map import LoadMapCounter
from replay.duty.rainflow import RainflowCounter, RangeSpectrum
from replay.duty.read_load import (
    CURRENT_CHANNEL,
    SPEED_CHANNEL,
    TORQUE_CHANNEL,
    LoadSource,
    load_seconds,
    load_source,
    read_seconds,
    read_steps,
    second_loads,
)
from replay.duty.result import (
    AllowedLoad,
    CopperLoss,
    DutyAssumption,
    DutyCaution,
    DutyResult,
    ModelLimit,
    ModelSource,
    NoModel,
)
from replay.duty.rms_windows import MOST_REFINED_S, RmsWindows
from replay.heat.answers import equilibrium_at_end, slow_time_s
from replay.heat.faults import HeatFaultKind
from replay.heat.fit import HeatFit
from replay.heat.kept_model import KeptHeat
from replay.heat.known_peaks import joint_peaks
from replay.recording import Recording
from replay.serials import OtherSerial

__all__ = ["DutyModel", "DutySlopes", "evaluate_duty", "hold_against"]

STRETCH_NS: Final = 300 * BASE_NS
"""Rows that are in memory at a time: 300,000 at 1 kHz."""
LEAST_RANGE_SHARE: Final = 0.02
"""Of a load's whole range: what is smaller is noise, and counts as no cycle."""
LEAST_RANGE_K: Final = 1.5
"""Of a temperature, which may be read in whole degrees."""
_TEMPERATURES: Final = (
    "temperature_winding_degC",
    "temperature_housing_degC",
    "temperature_drive_degC",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DutySlopes:
    """m of N = range^-m, of the load and of temperatures."""

    load: float = 5.0
    temperature: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyModel:
    """The joint that a load is held against: fitted, or why not."""

    fit: HeatFit | KeptHeat | None = None
    limit_degC: float | None = None  # noqa: N815 - the unit's own spelling
    heat_fault: HeatFaultKind | None = None
    other_serial: OtherSerial | None = None
    """Of what specimens the recordings are, where the fault is that they are of several."""
    fitted_to: tuple[ModelSource, ...] = ()
    """Other recordings that it was fitted to; empty: the one whose load is told."""

    @property
    def lack(self) -> NoModel | None:
        """Why nothing can be said of what the joint holds; None where it can."""
        if self.limit_degC is None:
            return NoModel.NO_LIMIT
        if self.fit is None:
            return NoModel.NOT_FITTED
        return None if self.fit.is_load_known else NoModel.LOAD_NOT_KNOWN


def evaluate_duty(
    recording: Recording,
    joint: str,
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    model: DutyModel | None = None,
    slopes: DutySlopes | None = None,
    report_progress: Callable[[float], None] = lambda _share: None,
) -> DutyResult:
    """Return what a span of a recording tells of a joint's load.

    Parameters
    ----------
    start_ns, end_ns
        The span, widened to whole seconds; None: from the start, to the end.
    model
        What the load is held against beside the rated value.
    slopes
        Of the damage; None: those that are assumed.
    report_progress
        Is called with the share that is read.

    Raises
    ------
    DutyFault
        There is no load to tell of; its `kind` says why.
    """
    model = model or DutyModel()
    fit = model.fit
    source = load_source(
        recording,
        joint,
        start_ns=start_ns,
        end_ns=end_ns,
        prefers_current=model.lack is None and fit is not None and fit.load_unit == "A",
    )
    seconds = load_seconds(source)
    figures = statistics_of([seconds])
    used = slopes or DutySlopes()
    ranges = RainflowCounter(
        figures.minimum,
        figures.maximum,
        slope=used.load,
        least=LEAST_RANGE_SHARE * (figures.maximum - figures.minimum),
    )
    loads = second_loads(source, seconds)
    windows = RmsWindows(loads)
    cells = _cells(source, figures.minimum, figures.maximum)
    _read_rows(source, windows, ranges, cells, report_progress)
    curve = windows.curve()
    rated = recording.bench.joint_named(joint).rated
    search = find_cycles(source, seconds)
    copper, is_reference = _copper(source)
    account = DutyResult(
        joint=joint,
        label=recording.bench.label_of(joint),
        recording=recording.name,
        start_ns=source.start_ns,
        end_ns=source.end_ns,
        load_channel=source.load,
        unit=source.unit,
        held_s=figures.duration_s,
        skipped_s=max(source.seconds - figures.duration_s, 0.0),
        rms=figures.rms,
        lowest=figures.minimum,
        highest=figures.maximum,
        windows=curve,
        allowed=(),
        limit=None,
        no_model=None,
        heat_fault=None,
        other_serial=None,
        rated=rated.torque if source.is_torque else rated.current,
        tightest=None,
        peaks=joint_peaks(
            [recording],
            joint,
            factors=_load_factors(source),
            largest=max(abs(figures.minimum), abs(figures.maximum)),
        ),
        cycles=search.cycles,
        duty=duty_type(
            loads.held_s,
            loads.energy,
            cycles=search.profile,
            time_constant_s=None if fit is None or fit.has_changed else slow_time_s(fit.joints[0]),
            is_settled=None if end_ns is not None or model.fitted_to else _is_settled(fit),
        ),
        work=cells.work() if source.is_torque and cells is not None else None,
        copper=copper,
        load_map=None if cells is None else cells.load_map(),
        load_ranges=ranges.spectrum(),
        temperature_ranges=_temperature_ranges(source, used.temperature),
        assumptions=_duty_assumptions(
            source, slopes_assumed=slopes is None, is_reference=is_reference
        ),
        cautions=(
            DutyCaution.MAKER_FIRST,
            DutyCaution.RELATIVE_ONLY,
            DutyCaution.NO_SAFETY_FUNCTION,
        ),
    )
    return hold_against(account, model)


def hold_against(result: DutyResult, model: DutyModel) -> DutyResult:
    """Return an account held against what a joint holds, in place of what it was held against."""
    fit, limit_degC, lack = model.fit, model.limit_degC, model.lack  # noqa: N806
    allowed: tuple[AllowedLoad, ...] = ()
    limit = None
    if lack is None and fit is not None and limit_degC is not None:
        if fit.load_unit == result.unit:
            limit = ModelLimit(
                node=fit.node,
                limit_degC=limit_degC,
                ambient_degC=fit.idle_degC,
                ambient_is_idle=not fit.has_room,
                fitted_to=model.fitted_to,
            )
            allowed = allowed_loads(fit, result.windows, limit_degC=limit_degC)
        else:
            lack = NoModel.OTHER_LOAD
    own = (DutyAssumption.AS_IT_WAS, DutyAssumption.STATED_LIMIT)
    others = tuple(one for one in result.assumptions if one not in own)
    cautions = tuple(one for one in result.cautions if one is not DutyCaution.THIS_MOUNTING)
    return replace(
        result,
        allowed=allowed,
        limit=limit,
        no_model=lack,
        heat_fault=model.heat_fault,
        other_serial=model.other_serial,
        tightest=tightest_window(result.windows, allowed, result.rated),
        assumptions=(*others, *(own if allowed else ())),
        cautions=(*((DutyCaution.THIS_MOUNTING,) if allowed else ()), *cautions),
    )


def _load_factors(source: LoadSource) -> dict[str, float]:
    """Return channel of a load -> load in the account's unit for one of its own."""
    if not source.is_torque:
        return {"current_A": 1.0}
    torque = source.recording.bench.joint_named(source.joint).torque
    return {"torque_Nm": 1.0} | ({} if torque is None else {"current_A": torque.per_ampere})


def _read_rows(
    source: LoadSource,
    windows: RmsWindows,
    ranges: RainflowCounter,
    cells: LoadMapCounter | None,
    report_progress: Callable[[float], None],
) -> None:
    """Go once through the rows, a stretch at a time."""
    for begin_ns, until_ns in time_chunks(source.start_ns, source.end_ns, STRETCH_NS):
        report_progress((begin_ns - source.start_ns) / (source.end_ns - source.start_ns))
        ahead_ns = until_ns
        if windows.needs_rows(begin_ns, until_ns):
            ahead_ns = min(until_ns + MOST_REFINED_S * BASE_NS, source.end_ns)
        steps = read_steps(source, begin_ns, ahead_ns)
        windows.feed(steps, begin_ns, ahead_ns)
        own = steps.until(until_ns)
        ranges.feed(own.load)
        if cells is not None:
            cells.feed(own)


def _cells(source: LoadSource, lowest: float, highest: float) -> LoadMapCounter | None:
    if not source.has_speed:
        return None
    speed = statistics_of([read_seconds(source, SPEED_CHANNEL)])
    return LoadMapCounter(
        max(abs(lowest), abs(highest)), max(abs(speed.minimum), abs(speed.maximum))
    )


def _is_settled(fit: HeatFit | KeptHeat | None) -> bool | None:
    if not isinstance(fit, HeatFit) or fit.has_changed:
        return None
    return equilibrium_at_end(fit.problem, fit.mode, fit.node).is_reached


def _copper(source: LoadSource) -> tuple[CopperLoss | None, bool]:
    """Return what the winding lost, and whether its resistance is that at the reference."""
    recording, joint = source.recording, source.joint
    settings = recording.bench.joint_named(joint)
    if settings.winding is None or CURRENT_CHANNEL not in recording.channels(joint):
        return None, False
    current = read_seconds(source, CURRENT_CHANNEL)
    if not len(current):
        return None, False
    square = current.m2 + current.duration_s * current.mean**2
    winding = Winding(
        resistance_ohm=settings.winding.resistance_ohm,
        reference_degC=settings.winding.reference_degC,
    )
    warm = _winding_degC(source, current)
    at = np.full(len(square), winding.reference_degC) if warm is None else warm
    energy = float(square @ winding.resistance_at(at))
    held_s = float(current.duration_s.sum())
    return CopperLoss(
        energy_J=energy, mean_W=energy / held_s if held_s > 0.0 else 0.0
    ), warm is None


def _winding_degC(source: LoadSource, current: Buckets) -> Floats | None:  # noqa: N802
    """Return the winding's temperature at each second of the current; None where never read."""
    name = _TEMPERATURES[0]
    if name not in source.recording.channels(source.joint):
        return None
    read = read_seconds(source, name)
    if not len(read):
        return None
    return np.asarray(np.interp(current.start_ns, read.start_ns, read.mean))


def _temperature_ranges(source: LoadSource, slope: float) -> dict[str, RangeSpectrum]:
    out: dict[str, RangeSpectrum] = {}
    for name in _TEMPERATURES:
        if name not in source.recording.channels(source.joint):
            continue
        found = read_seconds(source, name)
        read = found.last[found.n > 0]
        if len(read) < 2:
            continue
        counter = RainflowCounter(
            float(read.min()), float(read.max()), slope=slope, least=LEAST_RANGE_K
        )
        counter.feed(read)
        out[name] = counter.spectrum()
    return out


def _duty_assumptions(
    source: LoadSource,
    *,
    slopes_assumed: bool,
    is_reference: bool,
) -> tuple[DutyAssumption, ...]:
    settings = source.recording.bench.joint_named(source.joint)
    torque = settings.torque
    derived = source.load == TORQUE_CHANNEL and torque is not None and torque.source == "current"
    holding = {
        DutyAssumption.READINGS_TRUE: True,
        DutyAssumption.TORQUE_FROM_CURRENT: derived or source.factor != 1.0,
        DutyAssumption.COPPER_AT_REFERENCE: is_reference,
        DutyAssumption.SLOPES_ASSUMED: slopes_assumed,
    }
    return tuple(one for one, holds in holding.items() if holds)
