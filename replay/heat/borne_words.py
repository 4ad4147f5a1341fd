"""What a joint bears as rows: for ever, turning and holding, and for a time. Pure."""

from replay.heat.peak_load import beyond_text, first_beyond
from replay.heat.result import HeatResult, HeldFor, ValueBand
from replay.heat.sentence import warm_load
from replay.heat.text import TimeUnit, band_text, column_time_unit, unit_text, values_in_unit

__all__ = [
    "current_lines",
    "for_ever_head",
    "for_ever_rows",
    "held_for_head",
    "held_for_rows",
]


def for_ever_head(result: HeatResult) -> tuple[str, ...]:
    """Return what the columns of `for_ever_rows` are."""
    unit = unit_text(result.load_unit)
    amperes = ("A",) if result.torque_per_ampere else ()
    return (
        "where it is, without load, at" if result.ambient_is_idle else "ambient",
        *(f"for ever, rotating, {unit}", *amperes),
        *(f"for ever, holding, {unit}", *amperes),
    )


def for_ever_rows(result: HeatResult) -> list[tuple[str, ...]]:
    """Return ambient, load rotating and load holding, each with its interval and its current."""
    return [
        (
            f"{one.ambient_degC:.0f} °C",
            *_load_texts(result, one.rotating),
            *_load_texts(result, one.holding),
        )
        for one in result.for_ever
    ]


def _load_texts(result: HeatResult, band: ValueBand) -> tuple[str, ...]:
    """Return a load, and the current that makes it where that is known."""
    is_some = band[0] > 0.0
    load = band_text(band) if is_some else "nothing"
    if not result.torque_per_ampere:
        return (load,)
    value, low, high = (one / result.torque_per_ampere for one in band)
    return (load, band_text((value, low, high)) if is_some else "nothing")


def held_for_head(result: HeatResult) -> tuple[str, ...]:
    """Return what the columns of `held_for_rows` are; times below each other have one unit."""
    before = "where it is at" if result.ambient_is_idle else "ambient"
    after = " without load" if result.ambient_is_idle else ""
    cold, warm = _time_units(result)
    return (
        f"load, {before} {result.held_at_degC:.0f} °C{after}",
        *(("A",) if result.torque_per_ampere else ()),
        f"held from cold, {cold.text}",
        f"once settled at {warm_load(result):.2g} {unit_text(result.load_unit)}, {warm.text}",
        *(("by heat alone: it is",) if _is_any_beyond(result) else ()),
    )


def held_for_rows(result: HeatResult) -> list[tuple[str, ...]]:
    """Return load, its current, times from cold and from warm, and what the load is beyond.

    The current where it is known, the last where any load is beyond something.
    """
    cold, warm = _time_units(result)

    def row(one: HeldFor) -> tuple[str, ...]:
        current_A = result.current_A(one.load)  # noqa: N806 - the unit's own spelling
        peak = first_beyond(result.peaks, one.load)
        beyond = "" if peak is None else beyond_text(peak, result.load_unit)
        return (
            f"{one.load:.3g} {unit_text(result.load_unit)}",
            *(() if current_A is None else (f"{current_A:.3g}",)),
            _with_interval(values_in_unit(one.cold_s, cold)),
            _with_interval(values_in_unit(one.warm_s, warm)),
            *((beyond,) if _is_any_beyond(result) else ()),
        )

    return [row(one) for one in result.held_for]


def current_lines(result: HeatResult) -> list[str]:
    """Return what the amperes beside torques stand on; nothing where there are none."""
    if not result.torque_per_ampere or not result.for_ever:
        return []
    per_ampere = f"{result.torque_per_ampere:.4g} N·m/A that the bench file declares"
    if result.basis.load_channel == "current_A":
        return [f"Amperes are as the joint reports them; torque is they times the {per_ampere}."]
    return [f"Amperes are the torque over the {per_ampere}."]


def _time_units(result: HeatResult) -> tuple[TimeUnit, TimeUnit]:
    return (
        column_time_unit(one.cold_s[0] for one in result.held_for),
        column_time_unit(one.warm_s[0] for one in result.held_for),
    )


def _is_any_beyond(result: HeatResult) -> bool:
    return any(first_beyond(result.peaks, one.load) for one in result.held_for)


def _with_interval(texts: tuple[str, str]) -> str:
    value, interval = texts
    return f"{value} ({interval})" if interval else value
