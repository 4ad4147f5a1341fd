"""An account of a load in words: rows of tables and notes, for the terminal and the page. Pure."""

from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from typing import Final

from replay.duty.duty_type import DutyReason, DutyType, FoundDuty
from replay.duty.rainflow import RangeSpectrum
from replay.duty.result import DutyAssumption, DutyCaution, DutyResult, NoModel
from replay.duty.sentence import share_values, source_text
from replay.heat.faults import HeatFaultKind
from replay.heat.peak_load import beyond_text, first_beyond
from replay.heat.text import band_values, duration_text, unit_text

__all__ = [
    "assumption_lines",
    "caution_lines",
    "duty_line",
    "duty_notes",
    "figure_rows",
    "is_window_shown",
    "range_rows",
    "source_lines",
    "window_rows",
]

SHOWN_WINDOWS_S: Final = (1, 10, 60, 300, 600, 1800, 3600, 7200, 14_400, 28_800)
_REASONS: Final = {
    DutyReason.CONSTANT_SETTLED: "the load stays the same in each ten minutes, and the temperature "
    "had settled (2 K/h)",
    DutyReason.CONSTANT_NOT_SETTLED: "the load stays the same, and whether the temperature would "
    "settle under it is not known: S1 needs that, S2 needs rest behind it",
    DutyReason.CONSTANT_THEN_REST: "a constant load too short to settle, then rest until cold",
    DutyReason.REST_TOO_SHORT: "a constant load, then rest that is not known to reach until cold "
    "(three time constants)",
    DutyReason.CYCLES_WITH_REST: "equal cycles of load and standstill",
    DutyReason.CYCLES_RUNNING_IDLE: "equal cycles of load and of turning without load",
    DutyReason.CYCLES_REST_OR_IDLE: "equal cycles with a part without load: S3 if the joint stands "
    "still in it, S6 if it turns; no speed is recorded",
    DutyReason.CYCLES_WITHOUT_REST: "equal cycles that are loaded all the time",
    DutyReason.NO_CYCLE: "the load varies, and no cycle repeats in it",
    DutyReason.NO_LOAD: "there is no load",
}
_LACKS: Final = {
    NoModel.NO_LIMIT: "no temperature to hold was stated (--hottest)",
    NoModel.LOAD_NOT_KNOWN: "from this trace it is not known what a load warms the joint by",
    NoModel.OTHER_LOAD: "the joint was fitted by another load, and no N.m for an ampere "
    "is declared",
    NoModel.NOT_FITTED: "its heat cannot be fitted",
}
_HEAT_FAULTS: Final = {
    HeatFaultKind.NO_LOAD: "no load",
    HeatFaultKind.NO_TEMPERATURE: "no winding or housing temperature is recorded",
    HeatFaultKind.TOO_SHORT: "it takes ten minutes with a load and without a gap",
    HeatFaultKind.STANDING_SENSOR: "its temperature stands at one value",
    HeatFaultKind.NOT_LOADED: "the load is zero",
    HeatFaultKind.AMBIENT_ABOVE: "the ambient is above every temperature of the joint",
    HeatFaultKind.OVERLAP: "recordings overlap",
    HeatFaultKind.MIXED_LOADS: "a current is recorded in some recordings only",
    HeatFaultKind.NO_AMBIENT: "the ambient that was named is not recorded",
    HeatFaultKind.AMBIENT_IN_GAP: "a reading of the ambient lies where the joint is not recorded",
    HeatFaultKind.NO_MODEL: "no one model describes the recordings",
}
_DUTY_ASSUMED: Final = {
    DutyAssumption.READINGS_TRUE: "Readings are right: errors of calibration are in no figure.",
    DutyAssumption.TORQUE_FROM_CURRENT: "Torque is the current times the N.m for an ampere that "
    "the bench file declares.",
    DutyAssumption.AS_IT_WAS: "What the joint holds is for rotating, from warm (settled at 80 % of "
    "what it bears for ever), at the ambient as it was.",
    DutyAssumption.STATED_LIMIT: "The temperature not to be passed is the one that was stated.",
    DutyAssumption.COPPER_AT_REFERENCE: "No winding temperature is recorded: the copper loss is "
    "told for the resistance at its reference, and is higher warm (0.39 % a kelvin).",
    DutyAssumption.SLOPES_ASSUMED: "Nobody stated how damage grows with range: its slopes are "
    "assumed (--slope, --temperature-slope).",
}
_DUTY_CAUTIONS: Final = {
    DutyCaution.THIS_MOUNTING: "What is held holds for this mounting and this airflow.",
    DutyCaution.MAKER_FIRST: "The maker's instructions and the drive's own limits come first.",
    DutyCaution.RELATIVE_ONLY: "Damage here only compares one load with another: it is no life.",
    DutyCaution.NO_SAFETY_FUNCTION: "Nothing here is a safety function.",
}


def _held_text(result: DutyResult, load: tuple[float, float, float], unit: str) -> str:
    peak = first_beyond(result.peaks, load[0])
    beyond = "" if peak is None else f", by heat alone: {beyond_text(peak, result.unit)}"
    return _banded_text(load, unit) + beyond


def is_window_shown(window_s: int, result: DutyResult) -> bool:
    """Return whether a window has a row: those of round length, and the tightest."""
    tightest = result.tightest.window.window_s if result.tightest else None
    return window_s in SHOWN_WINDOWS_S or window_s == tightest


def window_rows(result: DutyResult, zone: tzinfo = UTC) -> list[tuple[str, str, str, str, str]]:
    """Return window, highest RMS, what is held for so long, share of it, and when it began."""
    unit = unit_text(result.unit)
    allowed = {one.window_s: one.load for one in result.allowed}
    tightest = result.tightest.window.window_s if result.tightest else None
    rows = []
    for one in result.windows:
        if not is_window_shown(one.window_s, result):
            continue
        load = allowed.get(one.window_s)
        share = "-"
        if load is not None and load[0] > 0.0 and load[1] > 0.0:
            value, interval = share_values(
                (one.rms / load[0], one.rms / load[2], one.rms / load[1])
            )
            share = f"{value} % ({interval})"
        rms = f"{one.rms:.3g} {unit}"
        if one.at_most > one.rms * 1.005:
            rms += f" (at most {one.at_most:.3g})"
        mark = ", the tightest" if one.window_s == tightest else ""
        rows.append(
            (
                duration_text(one.window_s) + mark,
                rms,
                "-" if load is None else _held_text(result, load, unit),
                share,
                f"{_instant(one.start_ns, zone):%Y-%m-%d %H:%M:%S}",
            )
        )
    return rows


def figure_rows(result: DutyResult) -> list[tuple[str, str]]:
    """Return name and value of each single figure."""
    unit = unit_text(result.unit)
    rows = [
        ("RMS, time-weighted", f"{result.rms:.3g} {unit}"),
        ("lowest and highest", f"{result.lowest:.3g} and {result.highest:.3g} {unit}"),
    ]
    if result.rated is not None:
        share = 100.0 * result.rms / result.rated
        rows.append(("RMS of the rated value", f"{share:.0f} % of {result.rated:g} {unit}"))
    for number, one in enumerate(result.cycles):
        name = "cycle" if number == 0 else "longer cycle"
        rows.append(
            (
                name,
                f"{_period_text(one.period_s)}, in {100 * one.share:.0f} % of the time looked at",
            )
        )
        if one.drift_per_h is not None:
            value, low, high = (100.0 * each for each in one.drift_per_h)
            rows.append((f"{name}'s drift", f"{value:+.2g} % an hour ({low:+.2g} to {high:+.2g})"))
    if result.work is not None:
        work = result.work
        rows += [
            ("work done by the joint", _energy_text(work.positive_J)),
            ("work done on it (braking, lowering)", _energy_text(work.negative_J)),
            ("highest mechanical power", f"{work.peak_W:.3g} W"),
        ]
    if result.copper is not None:
        rows.append(
            (
                "copper loss",
                f"{_energy_text(result.copper.energy_J)}, {result.copper.mean_W:.3g} W on average",
            )
        )
    return rows


def range_rows(result: DutyResult) -> list[tuple[str, str, str, str]]:
    """Return what cycles by rainflow, how many, the largest, and its equal in damage."""
    rows = [_range_row("load", result.load_ranges, unit_text(result.unit))]
    rows += [_range_row(name, one, "K") for name, one in result.temperature_ranges.items()]
    return rows


def _range_row(name: str, one: RangeSpectrum, unit: str) -> tuple[str, str, str, str]:
    return (
        name,
        f"{_count_text(float(one.count.sum()))} of {one.ignored_below:.2g} {unit} and more",
        f"{one.largest:.3g} {unit}",
        f"{one.equivalent:.3g} of the largest (slope {one.slope:g})",
    )


def _count_text(count: float) -> str:
    """Return how many cycles; of a few, halves too."""
    return f"{count:.0f}" if count >= 10.0 else f"{count:g}"


def duty_line(duty: FoundDuty, unit: str) -> str:
    """Return the duty type of IEC 60034-1 with its reason."""
    text = f"Duty type after IEC 60034-1: {duty.kind.value}, since {_REASONS[duty.reason]}."
    if duty.kind is DutyType.NOT_KNOWN:
        text = f"Duty type after IEC 60034-1 not known: {_REASONS[duty.reason]}."
    if duty.loaded_share is not None:
        text += f" Loaded for {100 * duty.loaded_share:.0f} % of the cycle"
        if duty.loaded_rms is not None:
            text += f", {duty.loaded_rms:.3g} {unit_text(unit)} RMS meanwhile"
        text += "; the load varies within it." if duty.is_varying else "."
    elif duty.lasted_s is not None:
        text += f" It lasted {duration_text(duty.lasted_s)}"
        text += f", the rest behind it {duration_text(duty.rest_s)}." if duty.rest_s else "."
    return text


def duty_notes(result: DutyResult) -> Iterator[str]:
    """Yield the duty type, what could not be told, what it rests on, assumptions and cautions."""
    yield duty_line(result.duty, result.unit)
    if not result.cycles:
        yield "No cycle was found that repeats over at least half of the time."
    yield from lack_lines(result)
    yield from source_lines(result)
    yield (
        f"From {result.recording}, {_instant(result.start_ns, UTC):%Y-%m-%d %H:%M:%S} to "
        f"{_instant(result.end_ns, UTC):%Y-%m-%d %H:%M:%S} UTC, {result.load_channel}; "
        f"{duration_text(result.skipped_s)} without a load left out."
    )
    yield from assumption_lines(result)
    yield from caution_lines(result)


def lack_lines(result: DutyResult) -> list[str]:
    """Return why nothing is said of what the joint holds; nothing where it is."""
    if result.no_model is None:
        return []
    why = _LACKS[result.no_model]
    if result.other_serial is not None:
        why += f": {result.other_serial.clause}"
    elif result.heat_fault is not None:
        why += f": {_HEAT_FAULTS[result.heat_fault]}"
    return [f"Not told: what the joint holds, since {why}."]


def source_lines(result: DutyResult) -> list[str]:
    """Return which other recordings the joint was fitted to; nothing where it is this one."""
    if result.limit is None or not result.limit.fitted_to:
        return []
    return [
        f"What the joint holds is that of {source_text(result.limit)}: of the mounting, the "
        f"airflow and the ambient ({result.limit.ambient_degC:.0f} °C) that it had there."
    ]


def assumption_lines(result: DutyResult) -> list[str]:
    """Return what the account takes for granted."""
    return [_DUTY_ASSUMED[one] for one in result.assumptions]


def caution_lines(result: DutyResult, *, is_whole: bool = True) -> list[str]:
    """Return what a person has to know before acting on a figure.

    Parameters
    ----------
    is_whole
        False: only what is of a load, where those of heat stand beside it.
    """
    return [
        _DUTY_CAUTIONS[one]
        for one in result.cautions
        if is_whole or one is DutyCaution.RELATIVE_ONLY
    ]


def _instant(time_ns: int, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(time_ns // 1_000_000_000, zone)


def _period_text(period_s: tuple[float, float, float]) -> str:
    size, unit = (60.0, "min") if period_s[0] >= 300.0 else (1.0, "s")
    return _banded_text((period_s[0] / size, period_s[1] / size, period_s[2] / size), unit)


def _banded_text(values: tuple[float, float, float], unit: str) -> str:
    value, interval = band_values(values)
    return f"{value} {unit} ({interval})"


def _energy_text(energy_J: float) -> str:  # noqa: N803 - the unit's own spelling
    for size, unit in ((1e6, "MJ"), (1e3, "kJ")):
        if energy_J >= size:
            return f"{energy_J / size:.3g} {unit}"
    return f"{energy_J:.3g} J"
