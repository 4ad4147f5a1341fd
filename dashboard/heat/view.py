"""What the Heat page shows of a fitted joint: sentence, rules, curves, ladder, tables, notes."""
# ruff: noqa: N803, N806, N815 - units are written as units are

import math
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, Final

import numpy as np

from dashboard.figures.pens import choose_pens
from dashboard.heat.borne_table import borne_table
from dashboard.heat.ladder import ladder_content
from dashboard.heat.limits_in_force import default_limit_degC, temperature_limits
from dashboard.heat.load_curve import (
    AllowedLoad,
    allowed_loads,
    curve_times_s,
    lowest_allowed,
)
from dashboard.heat.load_time_figure import BandCurve, LimitCurve, PeakLine, load_time_figure
from dashboard.heat.trace_figure import (
    ChangeMark,
    ModelledSensor,
    SensorLevel,
    heat_trace_figure,
)
from dashboard.text.format import format_duration, format_number
from dashboard.text.theme import Theme
from logger.arrays import Floats, Ints
from replay.heat.answers import HOLDING_LOSS, WARM_SHARE, longest_loads
from replay.heat.borne_words import current_lines, for_ever_head, for_ever_rows
from replay.heat.evaluate import REFERENCE_DEGC, answer_heat
from replay.heat.fit import HeatFit
from replay.heat.known_peaks import known_peaks
from replay.heat.peak_load import PeakSource, peak_text
from replay.heat.result import HeatResult, LoadBand, ValueBand
from replay.heat.sentence import heat_sentence, sentence_parts
from replay.heat.text import band_values, recordings_text, unit_text
from replay.heat.words import (
    assumption_lines,
    basis_line,
    caution_lines,
    change_rows,
    equilibrium_lines,
    neighbour_lines,
    quantity_rows,
    unknown_by_change,
    unknown_rows,
)
from replay.recording import Recording

__all__ = ["HeatRules", "clipped_ambient_degC", "heat_view"]

_PEAKS: Final = {
    PeakSource.CLAIM: "stated peak",
    PeakSource.MEASURED: "measured ceiling",
    PeakSource.RECORDED: "most ever recorded",
}
AMBIENT_RANGE_DEGC: Final = (0.0, 50.0)
LIMIT_RANGE_DEGC: Final = {"winding": (60.0, 160.0), "housing": (40.0, 110.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatRules:
    """Where the rules of the page stand; None: where they begin."""

    ambient_degC: float | None = None
    limit_degC: float | None = None
    is_holding: bool = False


def heat_view(
    recording: Recording,
    fit: HeatFit,
    rules: HeatRules,
    *,
    theme: Theme,
    zone: tzinfo = UTC,
    is_narrow: bool = False,
) -> dict[str, Any]:
    """Return everything that the page shows of a joint."""
    limit_degC, limit_from = default_limit_degC(recording, fit)
    if rules.limit_degC is not None:
        limit_degC, limit_from = _clipped(rules.limit_degC, LIMIT_RANGE_DEGC[fit.node.value]), ""
    ambient_degC = clipped_ambient_degC(rules.ambient_degC)
    result = answer_heat(
        fit,
        limit_degC=limit_degC,
        reference_degC=ambient_degC,
        is_holding=rules.is_holding,
        peaks=known_peaks(fit, [recording]),
    )
    pen = choose_pens((), recording.joints, [fit.joint])[fit.joint]
    content: dict[str, Any] = {
        "state": "fitted",
        "sentence": [part.to_json() for part in sentence_parts(result)],
        "copy": heat_sentence(result),
        "rules": _rules(fit, ambient_degC, limit_degC, limit_from, result),
        "answered": bool(result.for_ever),
        "quantities": quantity_rows(result),
        "unknown": [*unknown_rows(result), *unknown_by_change(result)],
        "assumed": [
            *assumption_lines(result),
            *current_lines(result),
            *equilibrium_lines(result),
            basis_line(result),
        ],
        "cautions": caution_lines(result),
        "changes": change_rows(result, zone),
        "neighbours": neighbour_lines(result),
        "stretch_s": _stretch_s(fit, recording),
        "truth": heat_trace_figure(
            _sensors(fit, recording),
            [
                SensorLevel(place=one.place, level=one.level)
                for one in temperature_limits(recording, fit)
            ],
            _change_marks(result, recording, zone),
            pen=pen,
            theme=theme,
            is_narrow=is_narrow,
        ),
        "truth_note": _truth_note(result),
        "curve": None,
        "ladder": None,
        "table": None,
        "for_ever": None,
    }
    # A room as warm as the temperature that must not be passed leaves nothing to draw.
    if result.for_ever and _load_for_ever(result)[0] > 0.0:
        allowed = allowed_loads(recording, fit, curve_times_s(fit))
        content["curve"] = _curve(fit, result, allowed, pen=pen, theme=theme, is_narrow=is_narrow)
        content["curve_note"] = _curve_note(result, fit, allowed)
        content["ladder"] = ladder_content(fit, result, _load_for_ever(result)[0])
        content["table"] = borne_table(fit, result, allowed, _load_for_ever(result)[0])
        content["for_ever"] = {"head": for_ever_head(result), "rows": for_ever_rows(result)}
    return content


def _change_marks(result: HeatResult, recording: Recording, zone: tzinfo) -> list[ChangeMark]:
    """Return the changes within the recording that is open, named by the time of day."""
    shift_s = (result.start_ns - recording.start_ns) / 1e9
    lasts_s = (recording.end_ns - recording.start_ns) / 1e9
    marks = []
    for change in result.changes:
        at, first, last = (one + shift_s for one in change.at_s)
        if 0.0 <= at <= lasts_s:
            # To the second of the sentence that tells it.
            instant_s = result.start_ns // 1_000_000_000 + round(change.at_s[0])
            name = f"{datetime.fromtimestamp(instant_s, zone):%H:%M:%S}"
            marks.append(ChangeMark(name=name, at_s=(at, first, last)))
    return marks


def _stretch_s(fit: HeatFit, recording: Recording) -> list[float]:
    """Return begin and end of what was fitted of the recording that is open, since its begin."""
    spans = [
        (max(begin, recording.start_ns), min(end, recording.end_ns))
        for begin, end in fit.read.spans_ns
        if begin < recording.end_ns and end > recording.start_ns
    ] or [(recording.start_ns, recording.end_ns)]
    return [(one - recording.start_ns) / 1e9 for one in (spans[0][0], spans[-1][1])]


def clipped_ambient_degC(stated_degC: float | None) -> float:  # noqa: N802
    """Return the ambient that the rules of the page stand at; None: where they begin."""
    return _clipped(REFERENCE_DEGC if stated_degC is None else stated_degC, AMBIENT_RANGE_DEGC)


def _clipped(value: float, ends: tuple[float, float]) -> float:
    return min(max(value, ends[0]), ends[1])


def _rules(
    fit: HeatFit, ambient_degC: float, limit_degC: float, limit_from: str, result: HeatResult
) -> dict[str, Any]:
    low, high = LIMIT_RANGE_DEGC[fit.node.value]
    return {
        "ambient": {
            "low": AMBIENT_RANGE_DEGC[0],
            "high": AMBIENT_RANGE_DEGC[1],
            "value": ambient_degC if fit.has_room else fit.idle_degC,
            "fixed": ""
            if fit.has_room
            else "The room was not recorded: for the temperature without load as it was.",
        },
        "limit": {
            "low": min(low, limit_degC),
            "high": max(high, limit_degC),
            "value": limit_degC,
            "from": f"as the limit {limit_from} has it" if limit_from else "",
        },
        "node": fit.node.value,
        "holding": result.is_holding,
        "both": _both_text(result),
    }


def _both_text(result: HeatResult) -> str:
    """Return what is borne for ever turning and holding still, side by side."""
    band = _reference_band(result)
    if band is None:
        return ""
    unit = unit_text(result.load_unit)
    turning, still = (band_values(one)[0] for one in (band.rotating, band.holding))
    return f"for ever {turning} {unit} turning, {still} {unit} holding still"


def _curve(
    fit: HeatFit,
    result: HeatResult,
    allowed: list[AllowedLoad],
    *,
    pen: int,
    theme: Theme,
    is_narrow: bool,
) -> dict[str, Any]:
    time_s = curve_times_s(fit)
    for_ever = _load_for_ever(result)
    cold, warm = (
        longest_loads(
            fit.joints,
            node=fit.node,
            limit_degC=result.limit_degC or 0.0,
            ambient_degC=result.held_at_degC or 0.0,
            per_ampere=fit.load_factor,
            time_s=time_s,
            is_warm=is_warm,
            loss=HOLDING_LOSS if result.is_holding else 1.0,
        )
        for is_warm in (False, True)
    )
    unit = unit_text(fit.load_unit)
    warm_load = WARM_SHARE * for_ever[0]
    return load_time_figure(
        time_s,
        [
            BandCurve(words="from cold", load=cold),
            BandCurve(words=f"warm from {warm_load:.2g} {unit}", load=warm),
        ],
        [LimitCurve(name=one.name, load=one.load) for one in allowed],
        lowest_allowed(allowed),
        [
            # A trip on the load is drawn as what it allows.
            PeakLine(
                words=""
                if one.source is PeakSource.LIMIT
                else f"{_PEAKS[one.source]} {one.load:.3g}",
                load=one.load,
            )
            for one in result.peaks
        ],
        for_ever=for_ever,
        unit=unit,
        torque_per_ampere=result.torque_per_ampere,
        pen=pen,
        theme=theme,
        is_narrow=is_narrow,
    )


def _curve_note(result: HeatResult, fit: HeatFit, allowed: list[AllowedLoad]) -> str:
    at = f"at {result.held_at_degC:.0f} °C" + (" without load" if result.ambient_is_idle else "")
    notes = [f"{at}; bands hold 95 of 100"]
    if allowed:
        names = ", ".join(one.name for one in allowed)
        notes.append(f"thin: the limits in force ({names}); red: they allow more than is borne")
    else:
        notes.append("no limit in force watches the load")
    if result.peaks:
        notes.append(f"faint: beyond {peak_text(result.peaks[0], result.load_unit)}")
    if fit.shortest_known_s > 0.0:
        notes.append("short times are not told: the winding is warmer than the housing")
    return "; ".join(notes)


def _reference_band(result: HeatResult) -> LoadBand | None:
    """Return what is borne for ever at the ambient of the rules; None where nothing is told."""
    return next((one for one in result.for_ever if one.ambient_degC == result.held_at_degC), None)


def _load_for_ever(result: HeatResult) -> ValueBand:
    band = _reference_band(result)
    assert band is not None, "what is borne is told"
    return band.holding if result.is_holding else band.rotating


def _sensors(fit: HeatFit, recording: Recording) -> list[ModelledSensor]:
    """Return what was measured, of a fit to several recordings that in the one that is open."""
    read = fit.read
    offset_s = (read.start_ns - recording.start_ns) / 1e9
    lasts_s = (recording.end_ns - recording.start_ns) / 1e9
    sensors = []
    for sensor in fit.own_sensors:
        step, at = np.unique(sensor.step, return_inverse=True)

        def mean(values: Floats, at: Ints = at, n: Floats = sensor.n) -> Floats:
            return np.asarray(np.bincount(at, n * values) / np.bincount(at, n))

        at_s = (
            read.trace.begin_s[sensor.step]
            + sensor.fraction * (read.trace.steps.duration_s[sensor.step])
        )
        since_s = mean(at_s) + offset_s
        own = (since_s >= 0.0) & (since_s <= lasts_s)
        # What is open may be too short to have had a part in the fit.
        own = own if own.any() else np.ones(len(own), bool)
        segment = read.trace.segment[step][own]
        shown = mean(fit.problem.shown_by(sensor, fit.mode.outer, fit.mode.unknowns))
        sensors.append(
            ModelledSensor(
                name=sensor.place.value,
                at_s=since_s[own],
                measured_degC=mean(sensor.value_degC)[own],
                modelled_degC=shown[own],
                break_before=(np.diff(segment, prepend=segment[0]) > 0).astype(np.float64),
            )
        )
    return sensors


def _truth_note(result: HeatResult) -> str:
    basis = result.basis
    note = f"{format_number(basis.residual_K, 2)} K RMS about the model"
    if math.isfinite(basis.left_out_K):
        note += (
            f", {format_number(basis.left_out_K, 2)} K over stretches kept out of the fit to try it"
        )
    note += f"; {format_duration(basis.hours * 3600.0)} with a load"
    if len(basis.recordings) > 1:
        note += f" in {recordings_text(len(basis.recordings))}, drawn the one that is open"
    return note
