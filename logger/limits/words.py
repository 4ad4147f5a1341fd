"""Limits and their changes in plain words, in the units that pages show.

For the terminal, the events and the pages, so that all three say the same. Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from logger.event_kind import EventKind
from logger.joint.channels import CHANNELS, DISPLAYS, Display
from logger.limits.bus import BusLimit, DiskLimit, RecorderLimit
from logger.limits.curves import CURVES
from logger.limits.frozen import Stuck
from logger.limits.inverse_time import InverseTime
from logger.limits.kind import TimedLimit
from logger.limits.level import Band, Level, RatedLevel
from logger.limits.limit import Limit
from logger.limits.limit_change import LimitChange
from logger.limits.rate import Rate
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import TouchTemperature
from logger.limits.tracking import Tracking

__all__ = ["change_sentence", "describe_limit", "format_value", "limit_label"]

_VERBS: Final = {"warning": "warns", "trip": "trips"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _LimitPhrases:
    """What a limit that readings drive says of itself, to be put into sentences."""

    label: str
    """ "housing above 70 °C"."""
    subject: str
    """ "the housing of shoulder"."""
    reaches: str
    """Said with no delay: "reaches 70 °C"."""
    stays: str
    """Said before a delay: "stays above 70 °C"."""
    clears: str
    """ "below 67": said behind "clears"."""
    back: str
    """ "housing back below 67 °C"."""
    extreme: str = "peak"


def limit_label(limit: Limit, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Return a few words for a page: "housing above 70 °C", in the units of `displays`."""
    if isinstance(limit, Silence):
        return f"silent for {_format_seconds(limit.after_s)}"
    if isinstance(limit, RecorderLimit):
        return "frames lost" if _is_loss_limit(limit) else _recorder_phrases(limit).label
    return _limit_phrases(limit, displays).label


def describe_limit(limit: Limit) -> str:
    """Return what a limit does.

    "warns when the housing of shoulder stays above 70 °C for 5 s; clears below 67".
    """
    verb = _VERBS[limit.severity]
    if isinstance(limit, Silence):
        return (
            f"{verb} when {limit.joint or 'any joint'} says nothing for "
            f"{_format_seconds(limit.after_s)}; clears with its next frame{_latch_text(limit)}"
        )
    if isinstance(limit, BusLimit) and _is_loss_limit(limit):
        return (
            f"{verb} when the recorder loses a frame; clears when none was lost for "
            f"{_format_seconds(limit.clear_after_s)}{_latch_text(limit)}"
        )
    phrases = (
        _recorder_phrases(limit)
        if isinstance(limit, RecorderLimit)
        else _limit_phrases(limit, DISPLAYS)
    )
    if limit.on_delay_s > 0:
        condition = f"{phrases.stays} for {_format_seconds(limit.on_delay_s)}"
    else:
        condition = phrases.reaches
    clears = f"clears {phrases.clears}"
    if limit.off_delay_s > 0:
        clears += f" after {_format_seconds(limit.off_delay_s)}"
    return f"{verb} when {phrases.subject} {condition}; {clears}{_latch_text(limit)}"


def change_sentence(change: LimitChange, limit: Limit) -> str:
    """Return what happened: "shoulder: housing above 70 °C for 5 s, now 71 °C (housing-warm)"."""
    if isinstance(limit, Silence):
        if change.kind == EventKind.RAISED:
            return f"{change.joint}: silent for {_format_seconds(limit.after_s)} ({limit.name})"
        return f"{change.joint}: heard again after {_format_seconds(change.peak)} ({limit.name})"
    if isinstance(limit, RecorderLimit):
        return _recorder_change_sentence(change, limit)
    phrases = _limit_phrases(limit, DISPLAYS)
    value = format_value(limit, change.value)
    if change.kind == EventKind.RAISED:
        delay_text = f" for {_format_seconds(limit.on_delay_s)}" if limit.on_delay_s > 0 else ""
        return f"{change.joint}: {phrases.label}{delay_text}, now {value} ({limit.name})"
    peak = format_value(limit, change.peak)
    return f"{change.joint}: {phrases.back}, now {value}, {phrases.extreme} {peak} ({limit.name})"


def _limit_phrases(limit: Limit, displays: Mapping[str, Display]) -> _LimitPhrases:
    assert not isinstance(limit, Silence | BusLimit | DiskLimit), "they have sentences of their own"
    of = f"of {limit.joint or 'any joint'}"
    quantity = CHANNELS[limit.channel].label
    match limit:
        case Level():
            level = _format_shown(limit.channel, limit.pick_up, displays=displays)
            clear = _format_shown(limit.channel, limit.clears_at, displays=displays)
            bare = _format_shown(limit.channel, limit.clears_at, unit=False, displays=displays)
            return _level_phrases(limit, f"{quantity} ", of, (level, clear, bare))
        case RatedLevel():
            clears = limit.pick_up_share if limit.drop_off_rated is None else limit.drop_off_rated
            rated = f"{_format_digits(limit.pick_up_share * 100, 3)} % of rated"
            back = f"{_format_digits(clears * 100, 3)} % of rated"
            return _level_phrases(limit, f"{quantity} ", of, (rated, back, back))
        case Band():
            low, high = (
                _format_shown(limit.channel, bound, displays=displays) for bound in limit.outside
            )
            lower, upper = (
                _format_shown(limit.channel, bound, displays=displays)
                for bound in limit.clears_within
            )
            either = ", in either direction," if limit.magnitude else ""
            return _LimitPhrases(
                label=f"{quantity} outside {low} to {high}",
                subject=f"the {quantity} {of}{either}",
                reaches=f"reaches {high} or falls to {low}",
                stays=f"stays outside {low} to {high}",
                clears=f"within {lower} to {upper}",
                back=f"{quantity} back within {lower} to {upper}",
                extreme="furthest",
            )
        case InverseTime():
            return _curve_phrases(limit, quantity, of, displays)
        case Thermal():
            return _image_phrases(limit, quantity, of, displays)
        case Rate():
            quick = _format_per_min(limit, limit.rise_per_min, displays)
            back = _format_per_min(limit, limit.clears_at, displays)
            window_text = _format_seconds(limit.over_s)
            return _LimitPhrases(
                label=f"{quantity} rising by {quick}",
                subject=f"the {quantity} {of}",
                reaches=f"rises by {quick} or more over {window_text}",
                stays=f"rises by {quick} or more, taken over {window_text},",
                clears=f"at {back} or less",
                back=f"{quantity} rising by {back} or less",
            )
        case Tracking():
            level = _format_shown(limit.channel, limit.above, displays=displays)
            clear = _format_shown(limit.channel, limit.clears_at, displays=displays)
            return _LimitPhrases(
                label=f"{quantity} {level} from its set-point",
                subject=f"the {quantity} {of}",
                reaches=f"is {level} or more from its set-point",
                stays=f"stays {level} or more from its set-point",
                clears=f"within {clear}",
                back=f"{quantity} back within {clear} of its set-point",
            )
        case Stuck():
            load = CHANNELS[limit.load].label
            level = _format_shown(limit.load, limit.load_above, displays=displays)
            if limit.smoothing_s is not None:
                load = f"{load} (RMS over about {_format_seconds(limit.smoothing_s)})"
            margin_text = (
                f" by more than {_format_shown(limit.channel, limit.within)}"
                if limit.within
                else ""
            )
            still = f"does not move{margin_text} while the {load} is above {level}"
            return _LimitPhrases(
                label=f"{quantity} frozen",
                subject=f"the {quantity} {of}",
                reaches=still,
                stays=still,
                clears="when it moves",
                back=f"{quantity} moves again",
                extreme="stood at",
            )
        case TouchTemperature():
            level = _format_shown(limit.channel, limit.threshold_temperature, displays=displays)
            clear = _format_shown(limit.channel, limit.clears_at, displays=displays)
            burn = f"the burn threshold of {level} for {_format_seconds(limit.contact_s)} of touch"
            return _LimitPhrases(
                label=f"{quantity} above {burn}",
                subject=f"the {quantity} {of}",
                reaches=f"exceeds {burn} (guidance)",
                stays=f"stays above {burn} (guidance)",
                clears=f"at {clear} or below",
                back=f"{quantity} back at {clear} or below",
            )


def _level_phrases(
    limit: Level | RatedLevel, quantity: str, of: str, levels: tuple[str, str, str]
) -> _LimitPhrases:
    level, clear, bare = levels
    beyond, back = ("above", "below") if limit.is_rising else ("below", "above")
    either = ", in either direction," if limit.magnitude else ""
    return _LimitPhrases(
        label=f"{quantity}{beyond} {level}",
        subject=f"the {quantity}{of}{either}",
        reaches=f"{'reaches' if limit.is_rising else 'falls to'} {level}",
        stays=f"stays {beyond} {level}",
        clears=f"{back} {bare}",
        back=f"{quantity}back {back} {clear}",
        extreme="peak" if limit.is_rising else "lowest",
    )


def _curve_phrases(
    limit: InverseTime, quantity: str, of: str, displays: Mapping[str, Display]
) -> _LimitPhrases:
    def at(multiple: float) -> str:
        return _format_share_or_unit(
            limit.channel, limit.setting, limit.setting_rated, multiple, displays
        )

    name = f"curve {limit.curve} ({CURVES[limit.curve].name})"
    multiplier = (
        f" with the time multiplier {_format_digits(limit.tms, 4)}" if limit.tms != 1 else ""
    )
    long = f"is above {at(limit.from_multiple)} for longer than {name}{multiplier} allows"
    return _LimitPhrases(
        label=f"{quantity} above {at(limit.from_multiple)} for too long",
        subject=f"the {quantity} {of}, in either direction,",
        reaches=long,
        stays=f"{long}, and stays there",
        clears=f"below {at(limit.drop_off)}",
        back=f"{quantity} back below {at(limit.drop_off)}",
    )


def _image_phrases(
    limit: Thermal, quantity: str, of: str, displays: Mapping[str, Display]
) -> _LimitPhrases:
    carried = _format_share_or_unit(
        limit.channel, limit.basic, limit.basic_rated, limit.k, displays
    )
    full = f"{_format_digits(limit.above_percent, 2)} %"
    drop_off = limit.above_percent if limit.drop_off_percent is None else limit.drop_off_percent
    cooling = f", {_format_seconds(limit.cooling_s)} at rest" if limit.cooling_s is not None else ""
    ambient = "" if limit.most_degC is None else " at 40 °C of ambient"
    image = (
        f"the thermal image of the {quantity} {of} ({carried} carried for ever{ambient}, time constant "
        f"{_format_seconds(limit.heating_s)}{cooling})"
    )
    return _LimitPhrases(
        label=f"thermal image above {full}",
        subject=image,
        reaches=f"reaches {full}",
        stays=f"stays above {full}",
        clears=f"below {_format_digits(drop_off, 2)} %",
        back=f"thermal image back below {_format_digits(drop_off, 2)} %",
    )


def _is_loss_limit(limit: RecorderLimit) -> bool:
    return isinstance(limit, BusLimit) and limit.watch == "lost"


def _recorder_phrases(limit: RecorderLimit) -> _LimitPhrases:
    if isinstance(limit, DiskLimit):
        level, clear = (
            f"{_format_digits(limit.below_h, 2)} h",
            f"{_format_digits(limit.clears_at, 2)} h",
        )
        return _LimitPhrases(
            label=f"disk for {level} or less",
            subject="the disk",
            reaches=f"lasts for {level} or less at the present rate",
            stays=f"lasts for {level} or less at the present rate",
            clears=f"at {clear} or more",
            back=f"The disk lasts for {clear} or more again",
        )
    above = limit.above or 0.0
    if limit.watch == "load":
        level, clear = (
            f"{_format_digits(above * 100, 1)} %",
            f"{_format_digits(limit.clears_at * 100, 1)} %",
        )
        quantity, subject = "bus load", "the load of a bus"
    else:
        level, clear = f"{_format_digits(above, 1)}", f"{_format_digits(limit.clears_at, 1)}"
        quantity, subject = "error frames a second", "the number of error frames a second"
    return _LimitPhrases(
        label=f"{quantity} above {level}",
        subject=subject,
        reaches=f"reaches {level}",
        stays=f"stays above {level}",
        clears=f"below {clear}",
        back=f"{quantity[0].upper()}{quantity[1:]} back below {clear}",
    )


def _recorder_change_sentence(change: LimitChange, limit: RecorderLimit) -> str:
    if isinstance(limit, DiskLimit):
        if change.kind == EventKind.RAISED:
            return (
                f"The disk lasts for {change.value * 60:.0f} min at the present rate; then the "
                "recording ends. Free some room."
            )
        return f"The disk lasts for {change.value:.1f} h again."
    if _is_loss_limit(limit):
        count = f"{change.peak:.0f} frame{'' if change.peak == 1 else 's'}"
        if change.kind == EventKind.RAISED:
            return f"The recorder lost {count}: what a joint said meanwhile is missing."
        return (
            f"No frame was lost for {_format_digits(limit.clear_after_s, 3)} s; {count} had been."
        )
    phrases = _recorder_phrases(limit)
    value, peak = format_value(limit, change.value), format_value(limit, change.peak)
    if change.kind == EventKind.RAISED:
        delay_text = f" for {_format_seconds(limit.on_delay_s)}" if limit.on_delay_s > 0 else ""
        return (
            f"{phrases.label[0].upper()}{phrases.label[1:]}{delay_text}, now {value} ({limit.name})"
        )
    return f"{phrases.back}, now {value}, peak {peak} ({limit.name})"


def _latch_text(limit: TimedLimit | Silence) -> str:
    return "; stays until acknowledged" if limit.severity == "trip" else ""


def _format_share_or_unit(
    channel: str,
    value: float | None,
    share: float | None,
    multiple: float,
    displays: Mapping[str, Display],
) -> str:
    if value is not None:
        return _format_shown(channel, value * multiple, displays=displays)
    assert share is not None, "the models have one of the two"
    return f"{_format_digits(share * multiple * 100, 2)} % of rated"


def format_value(limit: Limit, value: float, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Write a value of a limit's change in the unit that it has: "71 °C", "92.5 %", "8 K/min"."""
    match limit:
        case Silence():
            return _format_seconds(value)
        case DiskLimit():
            return f"{_format_digits(value, 2)} h"
        case BusLimit():
            return (
                f"{_format_digits(value * 100, 1)} %"
                if limit.watch == "load"
                else _format_digits(value, 1)
            )
        case Thermal():
            return f"{_format_digits(value * 100, 1)} %"
        case Rate():
            return _format_per_min(limit, value, displays, setting=False)
        case _:
            return _format_shown(limit.channel, value, displays=displays, setting=False)


def _format_per_min(
    limit: Rate, value: float, displays: Mapping[str, Display], *, setting: bool = True
) -> str:
    display = displays[CHANNELS[limit.channel].quantity]
    # A difference of temperatures is told in kelvins, unless a page shows other degrees.
    unit = "K" if display.unit == "°C" else display.unit
    number = value * display.factor
    return f"{_format_digits(number, display.decimals + 1, setting=setting)} {unit}/min"


def _format_shown(
    channel: str,
    value: float,
    *,
    unit: bool = True,
    setting: bool = True,
    displays: Mapping[str, Display] = DISPLAYS,
) -> str:
    """Write a value of a channel in its display unit, with one digit more than pages show."""
    display = displays[CHANNELS[channel].quantity]
    number = _format_digits(value * display.factor, display.decimals + 1, setting=setting)
    return f"{number} {display.unit}" if unit and display.unit else number


def _format_seconds(span_s: float) -> str:
    """Write a span as a person would: 0.5 s, 90 s, 10 min, 24 h."""
    for unit_s, unit in ((3600.0, "h"), (60.0, "min")):
        if span_s >= 2 * unit_s and span_s % unit_s == 0:
            return f"{_format_digits(span_s / unit_s, 0)} {unit}"
    return f"{_format_digits(span_s, 3, setting=True)} s"


def _format_digits(value: float, decimals: int, *, setting: bool = False) -> str:
    """Write a number; of a `setting` at least two digits that say something: never 0 for 0.0005."""
    if setting and 0 < abs(value) < 1:
        decimals = max(decimals, 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("-", "−")
