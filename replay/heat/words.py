"""A result of heat in words: rows of tables and notes, for the terminal and the page. Pure."""

import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, tzinfo
from typing import Final

from replay.heat.borne_words import current_lines
from replay.heat.dated_change import ChangeCause
from replay.heat.fit import HeatFit
from replay.heat.found_change import RIVAL_GAIN, FoundChange
from replay.heat.quantity import IntervalMethod, Quantity, QuantityName
from replay.heat.result import Assumption, Caution, HeatResult, Remedy
from replay.heat.text import (
    band_text,
    duration_band_text,
    duration_text,
    recordings_text,
    unit_text,
)

__all__ = [
    "assumption_lines",
    "basis_line",
    "caution_lines",
    "caution_text",
    "change_rows",
    "changed_lines",
    "equilibrium_lines",
    "load_lack_text",
    "neighbour_lines",
    "note_lines",
    "quantity_rows",
    "quantity_text",
    "unknown_by_change",
    "unknown_rows",
]

_LABELS: Final = {
    QuantityName.HOUSING_RISE: "housing above ambient, for each squared {load}",
    QuantityName.HOUSING_TIME: "time constant of the housing",
    QuantityName.WINDING_RISE: "winding above housing, for each squared {load}",
    QuantityName.WINDING_TIME: "time constant of the winding",
    QuantityName.STANDBY_RISE: "housing above ambient, powered without load",
    QuantityName.SPEED_RISE: "housing above ambient by speed",
    QuantityName.WINDING_LAG: "lag of the winding's sensor behind it",
    QuantityName.HOUSING_LAG: "lag of the housing's sensor behind it",
    QuantityName.HOUSING_RESISTANCE: "thermal resistance, housing to ambient",
    QuantityName.HOUSING_CAPACITY: "heat capacity of the housing",
    QuantityName.WINDING_RESISTANCE: "thermal resistance, winding to housing",
    QuantityName.WINDING_CAPACITY: "heat capacity of the winding",
    QuantityName.STANDBY_LOSS: "loss, powered without load",
    QuantityName.IDLE_TEMPERATURE: "temperature without load",
}
_METHODS: Final = {
    IntervalMethod.CURVATURE: "curvature of the likelihood",
    IntervalMethod.PROFILE: "profile of the likelihood",
    IntervalMethod.DRAWS: "draws from the likelihood",
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
    Assumption.AMBIENT_DATED: (
        "Each reading of the ambient that was typed is right to 0.5 K; between them it drifts like "
        "a room."
    ),
    Assumption.STANDBY_IN_HOUSING: "What the drive loses without load arises in the housing.",
    Assumption.STANDBY_IN_WINDING: (
        "What the drive loses without load arises in the winding: readings of both ask for it."
    ),
    Assumption.NO_SENSOR_LAG: (
        "Each temperature sensor shows at once what it is on: the bench file states no lag "
        "(`sensor_lag`), and these readings ask for none."
    ),
    Assumption.LAG_ALIKE: (
        "The housing's sensor shows it at once. A lag of its own and the time constant of the "
        "winding look alike and cannot be told apart here: with a lag the winding would be faster "
        "than told. State it in the bench file (`sensor_lag`), or record the winding."
    ),
    Assumption.LAG_STATED: (
        "A sensor follows what it is on with the lag that the bench file states, right to 10 %."
    ),
    Assumption.HOLDING_DOUBLES: (
        "At standstill one phase may carry the peak all the time: twice the loss of rotating. The "
        "drive's own protection may act earlier."
    ),
    Assumption.TORQUE_FOR_CURRENT: ("No current was recorded: the torque's square stands for it."),
    Assumption.SENSORS_TRUE: (
        "Temperature sensors and current are right: what they are off by is not in the intervals."
    ),
    Assumption.STATED_LIMIT: "The temperature not to be passed is the one that was stated.",
}
_STRETCH_ALONE: Final = "fit a stretch without the change: `dutytrace cut` makes a recording of it"
CUT_A_STRETCH: Final = f"To learn what it bears, {_STRETCH_ALONE}."
_CHANGED: Final = {
    ChangeCause.COOLING: (
        "better cooling (housing to ambient)",
        "worse cooling (housing to ambient)",
    ),
    ChangeCause.HEAT: ("less heat from the same current", "more heat from the same current"),
    ChangeCause.AMBIENT: ("a colder room", "a warmer room"),
}
_CAUTIONS: Final = {
    Caution.THIS_MOUNTING: "What is borne for ever holds for this mounting and this airflow.",
    Caution.MAKER_FIRST: "The maker's instructions and the drive's own limits come first.",
    Caution.WINDING_UNSEEN: (
        "The winding is warmer than the housing, and this trace does not tell by how much: a high "
        "load, however short, can be too much for it while the housing is cool."
    ),
    Caution.READING_LAGS: (
        "What is told is of the winding or housing itself, which runs ahead of its reading while "
        "it warms: a limit on the reading acts later."
    ),
    Caution.NO_SAFETY_FUNCTION: "Nothing here is a safety function.",
}


def quantity_rows(result: HeatResult) -> list[tuple[str, str, str]]:
    """Return name, value with its interval, and how that was made, of each known quantity."""
    load = _load_name(result)
    return [
        (_LABELS[one.name].format(load=load), quantity_text(one), _METHODS[one.method])
        for one in result.quantities
    ]


def quantity_text(one: Quantity) -> str:
    """Return a value with its 95 % interval and unit."""
    if one.unit == "s":
        return duration_band_text((one.value, one.low, one.high))
    return f"{band_text((one.value, one.low, one.high))} {unit_text(one.unit)}"


def note_lines(result: HeatResult) -> Iterator[str]:
    """Yield what is not known and how to learn it, what it rests on, assumptions and cautions."""
    for label, remedy in unknown_rows(result):
        yield f"Not known from this trace: {label}. To learn it: {remedy}."
    yield from (f"{when}: {what}" for when, what in change_rows(result, UTC))
    yield from changed_lines(result)
    yield from neighbour_lines(result)
    yield from equilibrium_lines(result)
    yield basis_line(result)
    yield from current_lines(result)
    yield from assumption_lines(result)
    yield from caution_lines(result)


def unknown_rows(result: HeatResult) -> list[tuple[str, str]]:
    """Return what the trace does not know, and what would settle it."""
    load = _load_name(result)
    return [
        (
            _LABELS[one.name].format(load=load),
            _remedies_text(one.remedies),
        )
        for one in result.unknown
    ]


def _remedies_text(remedies: Iterable[Remedy]) -> str:
    return "; or ".join(_REMEDIES[one] for one in remedies)


def change_rows(result: HeatResult, zone: tzinfo) -> list[tuple[str, str]]:
    """Return when something changed, with its interval, and what and by how much."""
    return [
        (_instants(result.start_ns, change.at_s, zone), _change_text(change))
        for change in result.changes
    ]


def load_lack_text(fit: HeatFit) -> str:
    """Return what to do where it is not known what a load warms a joint by."""
    if fit.has_changed:
        return CUT_A_STRETCH
    rise = next((one for one in fit.unknown if one.name is QuantityName.HOUSING_RISE), None)
    remedies = () if rise is None else rise.remedies
    return f"To learn it: {_remedies_text(remedies)}." if remedies else ""


def changed_lines(result: HeatResult) -> list[str]:
    """Return how a joint that changed on the way is fitted all the same."""
    if not result.has_changed:
        return []
    return [CUT_A_STRETCH]


def unknown_by_change(result: HeatResult) -> list[tuple[str, str]]:
    """Return what a change left unknown, and what would settle it, as `unknown_rows` does."""
    return [("what the joint bears", _STRETCH_ALONE)] if result.has_changed else []


def _instants(start_ns: int, at_s: tuple[float, float, float], zone: tzinfo) -> str:
    at, first, last = (
        datetime.fromtimestamp(start_ns // 1_000_000_000 + round(one), zone) for one in at_s
    )
    return f"{at:%Y-%m-%d %H:%M:%S} ({first:%H:%M:%S} to {last:%H:%M:%S})"


def _change_text(change: FoundChange) -> str:
    causes = [change.cause]
    causes += [cause for cause, gain in change.rivals if change.gain - gain <= RIVAL_GAIN]
    value = change.size[0]
    if change.cause is ChangeCause.AMBIENT:
        size = f"{value:+.1f} K ({change.size[1]:+.1f} to {change.size[2]:+.1f})"
        words = [_CHANGED[cause][value > 0] for cause in causes]
    else:
        size = f"times {band_text(change.size)}"
        words = [_CHANGED[cause][value > 1.0] for cause in causes]
    if len(words) == 1:
        return f"{words[0]}, {size}"
    return f"{' or '.join(words)}, which this trace cannot tell apart; if the first, {size}"


def neighbour_lines(result: HeatResult) -> list[str]:
    """Return which joints warm this one, and by how much."""
    return [
        f"Its surroundings follow the housing of {result.label_of(one.joint)}: "
        f"{band_text(one.K_per_K)} K for each kelvin. That joint warms it, or both are warmed "
        "by the same."
        for one in result.neighbours
    ]


def equilibrium_lines(result: HeatResult) -> list[str]:
    """Return whether the joint was in thermal equilibrium at the end; nothing if not known."""
    settled = result.equilibrium
    if settled is None:
        return []
    return [
        f"In thermal equilibrium at the end: the mean load of the last hour would go on to change "
        f"it by {settled.rate_K_per_h:+.1f} K in an hour (below 2 K/h)."
        if settled.is_reached
        else f"Not in thermal equilibrium at the end: the mean load of the last hour would go on "
        f"to change it by {settled.rate_K_per_h:+.1f} K in an hour; below 2 K/h after "
        f"{duration_text(settled.left_s)} of it."
    ]


def basis_line(result: HeatResult) -> str:
    """Return what the result stands on, and how far readings lie from the model."""
    basis = result.basis
    left_out = (
        f", {basis.left_out_K:.2f} K where stretches were kept out of the fit to try it."
        if math.isfinite(basis.left_out_K)
        else "."
    )
    parts = "1 part" if len(basis.spans_ns) == 1 else f"{len(basis.spans_ns)} parts"
    return (
        f"From {recordings_text(len(basis.recordings))}, {basis.hours:.2f} h with a load in "
        f"{parts} ({duration_text(basis.skipped_s)} left out), "
        f"{basis.load_channel} and {', '.join(basis.sensors)}; readings lie "
        f"{basis.residual_K:.2f} K about the model{left_out}"
    )


def assumption_lines(result: HeatResult) -> list[str]:
    """Return what the result takes for granted."""
    return [_ASSUMED[one] for one in result.assumptions]


def caution_lines(result: HeatResult) -> list[str]:
    """Return what a person has to know before acting on a figure."""
    return [caution_text(one) for one in result.cautions]


def caution_text(caution: Caution) -> str:
    """Return a caution as a sentence."""
    return _CAUTIONS[caution]


def _load_name(result: HeatResult) -> str:
    return "ampere" if result.basis.load_channel == "current_A" else "N·m"
