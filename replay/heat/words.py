"""A result of heat in words: lines for the terminal, and the one sentence to copy. Pure."""

import math
from collections.abc import Iterator
from typing import Final

from replay.heat.quantity import Quantity, QuantityName
from replay.heat.result import Assumption, Caution, HeatResult, HeldFor, LoadBand, Remedy

__all__ = [
    "duration_text",
    "for_ever_rows",
    "heat_sentence",
    "held_for_rows",
    "note_lines",
    "quantity_rows",
    "quantity_text",
]

_LABELS: Final = {
    QuantityName.HOUSING_RISE: "housing above ambient, for each squared {load}",
    QuantityName.HOUSING_TIME: "time constant of the housing",
    QuantityName.WINDING_RISE: "winding above housing, for each squared {load}",
    QuantityName.WINDING_TIME: "time constant of the winding",
    QuantityName.STANDBY_RISE: "housing above ambient, powered without load",
    QuantityName.SPEED_RISE: "housing above ambient by speed",
    QuantityName.HOUSING_RESISTANCE: "thermal resistance, housing to ambient",
    QuantityName.HOUSING_CAPACITY: "heat capacity of the housing",
    QuantityName.WINDING_RESISTANCE: "thermal resistance, winding to housing",
    QuantityName.WINDING_CAPACITY: "heat capacity of the winding",
    QuantityName.STANDBY_LOSS: "loss, powered without load",
    QuantityName.IDLE_TEMPERATURE: "temperature without load",
}
_REMEDIES: Final = {
    Remedy.RECORD_AMBIENT: "record the ambient (a sensor by `dutytrace join`, or --ambient)",
    Remedy.RECORD_WINDING: "record the winding's temperature",
    Remedy.SECOND_LOAD_LEVEL: "hold a second load, far from the first, for two time constants",
    Remedy.POWERED_UNLOADED: "leave the joint powered without load for two time constants",
    Remedy.LOAD_STEPS: "step the load between rest and near its most, each step held for minutes",
    Remedy.LONGER_RECORDING: "record for at least three time constants",
}
_ASSUMED: Final = {
    Assumption.COPPER: "The winding is copper: 0.393 % more resistance a kelvin at 20 °C.",
    Assumption.AMBIENT_DRIFTS: (
        "The ambient was not recorded: it drifts like a room, and what the drive warms the joint "
        "by without load is part of it."
    ),
    Assumption.AMBIENT_STATED: (
        "The ambient that was stated is right to 0.5 K on average, and drifts like a room."
    ),
    Assumption.STANDBY_IN_HOUSING: "What the drive loses without load arises in the housing.",
    Assumption.HOLDING_DOUBLES: (
        "At standstill one phase may carry the peak all the time: twice the loss of rotating. The "
        "drive's own protection may act earlier."
    ),
    Assumption.TORQUE_FOR_CURRENT: ("No current was recorded: the torque's square stands for it."),
    Assumption.STATED_LIMIT: "The temperature not to be passed is the one that was stated.",
}
_CAUTIONS: Final = {
    Caution.THIS_MOUNTING: "What is borne for ever holds for this mounting and this airflow.",
    Caution.MAKER_FIRST: "The maker's instructions and the drive's own limits come first.",
    Caution.NO_SAFETY_FUNCTION: "Nothing here is a safety function.",
}


def duration_text(duration_s: float) -> str:
    """Return a duration as a person says it: 42 s, 9.3 min, 2.1 h, for ever."""
    if math.isinf(duration_s):
        return "for ever"
    for limit, unit, size in ((120.0, "s", 1.0), (7200.0, "min", 60.0), (172_800.0, "h", 3600.0)):
        if duration_s < limit:
            shown = duration_s / size
            return f"{shown:.0f} {unit}" if shown >= 20.0 or size == 1.0 else f"{shown:.1f} {unit}"
    return f"{duration_s / 86_400.0:.1f} d"


def heat_sentence(result: HeatResult) -> str:
    """Return the sentence to copy; what is not known is said in it and not left out."""
    basis = f"from {_recordings(len(result.basis.recordings))}, {result.basis.hours:.1f} h"
    if not result.for_ever or result.limit_degC is None:
        shown = [one for one in result.quantities if one.name is QuantityName.HOUSING_TIME]
        time = ""
        if shown and not result.has_changed:
            time = f" its housing has a time constant of {quantity_text(shown[0])};"
        why = (
            "its cooling or its heat changed within these recordings, so no one model holds"
            if result.has_changed
            else "no temperature to hold was stated (--hottest)"
            if result.limit_degC is None
            else "what it bears is not known from this trace"
        )
        return f"{result.joint}:{time} {why}; {basis}."
    at = _reference(result)
    where = "without load at" if result.ambient_is_idle else "at"
    unit = _unit(result.load_unit)
    sentence = (
        f"{result.joint} carries {_band(at.rotating)} {unit} for ever {where} "
        f"{at.ambient_degC:.0f} °C with its {result.node} at {result.limit_degC:g} °C"
    )
    held = next((one for one in result.held_for if math.isfinite(one.cold_s[0])), None)
    if held is not None:
        sentence += (
            f", {held.load:.3g} {unit} for {duration_text(held.cold_s[0])} from cold and "
            f"{duration_text(held.warm_s[0])} warm"
        )
    return f"{sentence}; {basis}."


def quantity_rows(result: HeatResult) -> list[tuple[str, str, str]]:
    """Return name, value with its interval, and how that was made, of each known quantity."""
    load = "ampere" if result.basis.load_channel == "current_A" else "N·m"
    return [
        (_LABELS[one.name].format(load=load), quantity_text(one), one.method.value)
        for one in result.quantities
    ]


def quantity_text(one: Quantity) -> str:
    """Return a value with its 95 % interval and unit."""
    if one.unit == "s":
        return f"{duration_text(one.value)} ({duration_text(one.low)} to {duration_text(one.high)})"
    return f"{_band((one.value, one.low, one.high))} {_unit(one.unit)}"


def for_ever_rows(result: HeatResult) -> list[tuple[str, str, str]]:
    """Return ambient, load rotating and load holding, each with its interval."""
    return [
        (f"{one.ambient_degC:.0f} °C", _band(one.rotating), _band(one.holding))
        for one in result.for_ever
    ]


def held_for_rows(result: HeatResult) -> list[tuple[str, str, str]]:
    """Return load, time from cold and time from warm, each with its interval."""

    def text(times: tuple[float, float, float]) -> str:
        value, low, high = (duration_text(one) for one in times)
        return f"{value} ({low} to {high})"

    def row(one: HeldFor) -> tuple[str, str, str]:
        return f"{one.load:.3g} {_unit(result.load_unit)}", text(one.cold_s), text(one.warm_s)

    return [row(one) for one in result.held_for]


def note_lines(result: HeatResult) -> Iterator[str]:
    """Yield what is not known and how to learn it, what it rests on, assumptions and cautions."""
    load = "ampere" if result.basis.load_channel == "current_A" else "N·m"
    for one in result.unknown:
        remedies = "; or ".join(_REMEDIES[remedy] for remedy in one.remedies)
        label = _LABELS[one.name].format(load=load)
        yield f"Not known from this trace: {label}. To learn it: {remedies}."
    if result.equilibrium is not None:
        settled = result.equilibrium
        yield (
            f"In thermal equilibrium at the end ({settled.rate_K_per_h:+.1f} K/h, below 2 K/h)."
            if settled.is_reached
            else f"Not in thermal equilibrium at the end: {settled.rate_K_per_h:+.1f} K/h; below "
            f"2 K/h in {duration_text(settled.left_s)} if the load goes on like this."
        )
    basis = result.basis
    yield (
        f"From {_recordings(len(basis.recordings))}, {basis.hours:.2f} h with a load in "
        f"{len(basis.spans_ns)} parts ({duration_text(basis.skipped_s)} left out), "
        f"{basis.load_channel} and {', '.join(basis.sensors)}; readings lie "
        f"{basis.residual_K:.2f} K about the model"
        + (
            f", {basis.left_out_K:.2f} K where they were left out of the fit."
            if math.isfinite(basis.left_out_K)
            else "."
        )
    )
    yield from (_ASSUMED[one] for one in result.assumptions)
    yield from (_CAUTIONS[one] for one in result.cautions)


def _reference(result: HeatResult) -> LoadBand:
    """Return the band at the ambient for which times are told as well."""
    held_at = (
        result.for_ever[0].ambient_degC if result.held_at_degC is None else result.held_at_degC
    )
    return min(result.for_ever, key=lambda one: abs(one.ambient_degC - held_at))


def _band(values: tuple[float, float, float]) -> str:
    value, low, high = values
    return f"{value:.3g} ({low:.3g} to {high:.3g})"


def _unit(ucum: str) -> str:
    return (
        ucum.replace("N.m", "N·m")
        .replace("K.s", "K·s")
        .replace("A2", "A²")
        .replace(")2", ")²")
        .replace("s2", "s²")
        .replace("rad2", "rad²")
    )


def _recordings(count: int) -> str:
    return "1 recording" if count == 1 else f"{count} recordings"
