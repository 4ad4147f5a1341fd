"""Limits and their changes in plain words, in the units that pages show.

For the terminal, the events and the pages, so that all three say the same. Pure.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from logger.joint.channels import CHANNELS, DISPLAYS, Display
from logger.limits.bus import Bus, Disk, OfRecorder
from logger.limits.curves import CURVES
from logger.limits.frozen import Frozen
from logger.limits.inverse_time import InverseTime
from logger.limits.kind import Timed
from logger.limits.level import Level, Outside, RatedLevel
from logger.limits.limit import Limit
from logger.limits.limit_change import Change
from logger.limits.rate import Rate
from logger.limits.silence import Silence
from logger.limits.thermal import Thermal
from logger.limits.touch import Touch
from logger.limits.tracking import Tracking

__all__ = ["in_words", "label", "sentence", "worth"]

_VERBS: Final = {"warning": "warns", "trip": "trips"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Phrases:
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


def label(limit: Limit, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Return a few words for a page: "housing above 70 °C", in the units of `displays`."""
    if isinstance(limit, Silence):
        return f"silent for {_seconds(limit.after_s)}"
    if isinstance(limit, OfRecorder):
        return "frames lost" if _is_lost(limit) else _recorders(limit).label
    return _phrases(limit, displays).label


def in_words(limit: Limit) -> str:
    """Return what a limit does.

    "warns when the housing of shoulder stays above 70 °C for 5 s; clears below 67".
    """
    verb = _VERBS[limit.severity]
    if isinstance(limit, Silence):
        return (
            f"{verb} when {limit.joint or 'any joint'} says nothing for "
            f"{_seconds(limit.after_s)}; clears with its next frame{_latch(limit)}"
        )
    if isinstance(limit, Bus) and _is_lost(limit):
        return (
            f"{verb} when the recorder loses a frame; clears when none was lost for "
            f"{_seconds(limit.calm_s)}{_latch(limit)}"
        )
    said = _recorders(limit) if isinstance(limit, OfRecorder) else _phrases(limit, DISPLAYS)
    if limit.on_delay_s > 0:
        condition = f"{said.stays} for {_seconds(limit.on_delay_s)}"
    else:
        condition = said.reaches
    clears = f"clears {said.clears}"
    if limit.off_delay_s > 0:
        clears += f" after {_seconds(limit.off_delay_s)}"
    return f"{verb} when {said.subject} {condition}; {clears}{_latch(limit)}"


def sentence(change: Change, limit: Limit) -> str:
    """Return what happened: "shoulder: housing above 70 °C for 5 s, now 71 °C (housing-warm)"."""
    if isinstance(limit, Silence):
        if change.kind == "raised":
            return f"{change.joint}: silent for {_seconds(limit.after_s)} ({limit.name})"
        return f"{change.joint}: heard again after {_seconds(change.peak)} ({limit.name})"
    if isinstance(limit, OfRecorder):
        return _recorder_sentence(change, limit)
    said = _phrases(limit, DISPLAYS)
    value = worth(limit, change.value)
    if change.kind == "raised":
        held = f" for {_seconds(limit.on_delay_s)}" if limit.on_delay_s > 0 else ""
        return f"{change.joint}: {said.label}{held}, now {value} ({limit.name})"
    peak = worth(limit, change.peak)
    return f"{change.joint}: {said.back}, now {value}, {said.extreme} {peak} ({limit.name})"


def _phrases(limit: Limit, displays: Mapping[str, Display]) -> _Phrases:
    assert not isinstance(limit, Silence | Bus | Disk), "they have sentences of their own"
    of = f"of {limit.joint or 'any joint'}"
    what = CHANNELS[limit.channel].label
    match limit:
        case Level():
            level = _shown(limit.channel, limit.pick_up, displays=displays)
            clear = _shown(limit.channel, limit.clears_at, displays=displays)
            bare = _shown(limit.channel, limit.clears_at, unit=False, displays=displays)
            return _beyond(limit, f"{what} ", of, (level, clear, bare))
        case RatedLevel():
            clears = limit.share if limit.drop_off_rated is None else limit.drop_off_rated
            rated = f"{_number(limit.share * 100, 3)} % of rated"
            back = f"{_number(clears * 100, 3)} % of rated"
            return _beyond(limit, f"{what} ", of, (rated, back, back))
        case Outside():
            low, high = (_shown(limit.channel, one, displays=displays) for one in limit.outside)
            lower, upper = (
                _shown(limit.channel, one, displays=displays) for one in limit.clears_within
            )
            either = ", in either direction," if limit.magnitude else ""
            return _Phrases(
                label=f"{what} outside {low} to {high}",
                subject=f"the {what} {of}{either}",
                reaches=f"reaches {high} or falls to {low}",
                stays=f"stays outside {low} to {high}",
                clears=f"within {lower} to {upper}",
                back=f"{what} back within {lower} to {upper}",
                extreme="furthest",
            )
        case InverseTime():
            return _of_curve(limit, what, of, displays)
        case Thermal():
            return _of_image(limit, what, of, displays)
        case Rate():
            quick = _per_min(limit, limit.rise_per_min, displays)
            back = _per_min(limit, limit.clears_at, displays)
            over = _seconds(limit.over_s)
            return _Phrases(
                label=f"{what} rising by {quick}",
                subject=f"the {what} {of}",
                reaches=f"rises by {quick} or more over {over}",
                stays=f"rises by {quick} or more, taken over {over},",
                clears=f"at {back} or less",
                back=f"{what} rising by {back} or less",
            )
        case Tracking():
            level = _shown(limit.channel, limit.above, displays=displays)
            clear = _shown(limit.channel, limit.clears_at, displays=displays)
            return _Phrases(
                label=f"{what} {level} from its set-point",
                subject=f"the {what} {of}",
                reaches=f"is {level} or more from its set-point",
                stays=f"stays {level} or more from its set-point",
                clears=f"within {clear}",
                back=f"{what} back within {clear} of its set-point",
            )
        case Frozen():
            load = CHANNELS[limit.load].label
            level = _shown(limit.load, limit.load_above, displays=displays)
            if limit.smoothing_s is not None:
                load = f"{load} (RMS over about {_seconds(limit.smoothing_s)})"
            more = f" by more than {_shown(limit.channel, limit.within)}" if limit.within else ""
            still = f"does not move{more} while the {load} is above {level}"
            return _Phrases(
                label=f"{what} frozen",
                subject=f"the {what} {of}",
                reaches=still,
                stays=still,
                clears="when it moves",
                back=f"{what} moves again",
                extreme="stood at",
            )
        case Touch():
            level = _shown(limit.channel, limit.threshold, displays=displays)
            clear = _shown(limit.channel, limit.clears_at, displays=displays)
            burn = f"the burn threshold of {level} for {_seconds(limit.contact_s)} of touch"
            return _Phrases(
                label=f"{what} above {burn}",
                subject=f"the {what} {of}",
                reaches=f"exceeds {burn} (guidance)",
                stays=f"stays above {burn} (guidance)",
                clears=f"at {clear} or below",
                back=f"{what} back at {clear} or below",
            )


def _beyond(
    limit: Level | RatedLevel, what: str, of: str, levels: tuple[str, str, str]
) -> _Phrases:
    level, clear, bare = levels
    beyond, back = ("above", "below") if limit.rising else ("below", "above")
    either = ", in either direction," if limit.magnitude else ""
    return _Phrases(
        label=f"{what}{beyond} {level}",
        subject=f"the {what}{of}{either}",
        reaches=f"{'reaches' if limit.rising else 'falls to'} {level}",
        stays=f"stays {beyond} {level}",
        clears=f"{back} {bare}",
        back=f"{what}back {back} {clear}",
        extreme="peak" if limit.rising else "lowest",
    )


def _of_curve(limit: InverseTime, what: str, of: str, displays: Mapping[str, Display]) -> _Phrases:
    def at(multiple: float) -> str:
        return _share_or_unit(limit.channel, limit.setting, limit.setting_rated, multiple, displays)

    name = f"curve {limit.curve} ({CURVES[limit.curve].name})"
    multiplier = f" with the time multiplier {_number(limit.tms, 4)}" if limit.tms != 1 else ""
    long = f"is above {at(limit.from_multiple)} for longer than {name}{multiplier} allows"
    return _Phrases(
        label=f"{what} above {at(limit.from_multiple)} for too long",
        subject=f"the {what} {of}, in either direction,",
        reaches=long,
        stays=f"{long}, and stays there",
        clears=f"below {at(limit.drop_off)}",
        back=f"{what} back below {at(limit.drop_off)}",
    )


def _of_image(limit: Thermal, what: str, of: str, displays: Mapping[str, Display]) -> _Phrases:
    carried = _share_or_unit(limit.channel, limit.basic, limit.basic_rated, limit.k, displays)
    full = f"{_number(limit.above_percent, 2)} %"
    drop_off = limit.above_percent if limit.drop_off_percent is None else limit.drop_off_percent
    cooling = f", {_seconds(limit.cooling_s)} at rest" if limit.cooling_s is not None else ""
    ambient = "" if limit.most_degC is None else " at 40 °C of ambient"
    image = (
        f"the thermal image of the {what} {of} ({carried} carried for ever{ambient}, time constant "
        f"{_seconds(limit.heating_s)}{cooling})"
    )
    return _Phrases(
        label=f"thermal image above {full}",
        subject=image,
        reaches=f"reaches {full}",
        stays=f"stays above {full}",
        clears=f"below {_number(drop_off, 2)} %",
        back=f"thermal image back below {_number(drop_off, 2)} %",
    )


def _is_lost(limit: OfRecorder) -> bool:
    return isinstance(limit, Bus) and limit.watch == "lost"


def _recorders(limit: OfRecorder) -> _Phrases:
    if isinstance(limit, Disk):
        level, clear = f"{_number(limit.below_h, 2)} h", f"{_number(limit.clears_at, 2)} h"
        return _Phrases(
            label=f"disk for {level} or less",
            subject="the disk",
            reaches=f"lasts for {level} or less at the present rate",
            stays=f"lasts for {level} or less at the present rate",
            clears=f"at {clear} or more",
            back=f"The disk lasts for {clear} or more again",
        )
    above = limit.above or 0.0
    if limit.watch == "load":
        level, clear = f"{_number(above * 100, 1)} %", f"{_number(limit.clears_at * 100, 1)} %"
        what, subject = "bus load", "the load of a bus"
    else:
        level, clear = f"{_number(above, 1)}", f"{_number(limit.clears_at, 1)}"
        what, subject = "error frames a second", "the number of error frames a second"
    return _Phrases(
        label=f"{what} above {level}",
        subject=subject,
        reaches=f"reaches {level}",
        stays=f"stays above {level}",
        clears=f"below {clear}",
        back=f"{what[0].upper()}{what[1:]} back below {clear}",
    )


def _recorder_sentence(change: Change, limit: OfRecorder) -> str:
    if isinstance(limit, Disk):
        if change.kind == "raised":
            return (
                f"The disk lasts for {change.value * 60:.0f} min at the present rate; then the "
                "recording ends. Free some room."
            )
        return f"The disk lasts for {change.value:.1f} h again."
    if _is_lost(limit):
        count = f"{change.peak:.0f} frame{'' if change.peak == 1 else 's'}"
        if change.kind == "raised":
            return f"The recorder lost {count}: what a joint said meanwhile is missing."
        return f"No frame was lost for {_number(limit.calm_s, 3)} s; {count} had been."
    said = _recorders(limit)
    value, peak = worth(limit, change.value), worth(limit, change.peak)
    if change.kind == "raised":
        held = f" for {_seconds(limit.on_delay_s)}" if limit.on_delay_s > 0 else ""
        return f"{said.label[0].upper()}{said.label[1:]}{held}, now {value} ({limit.name})"
    return f"{said.back}, now {value}, peak {peak} ({limit.name})"


def _latch(limit: Timed | Silence) -> str:
    return "; stays until acknowledged" if limit.severity == "trip" else ""


def _share_or_unit(
    channel: str,
    value: float | None,
    share: float | None,
    multiple: float,
    displays: Mapping[str, Display],
) -> str:
    if value is not None:
        return _shown(channel, value * multiple, displays=displays)
    assert share is not None, "the models have one of the two"
    return f"{_number(share * multiple * 100, 2)} % of rated"


def worth(limit: Limit, value: float, displays: Mapping[str, Display] = DISPLAYS) -> str:
    """Write a value of a limit's change in the unit that it has: "71 °C", "92.5 %", "8 K/min"."""
    match limit:
        case Silence():
            return _seconds(value)
        case Disk():
            return f"{_number(value, 2)} h"
        case Bus():
            return f"{_number(value * 100, 1)} %" if limit.watch == "load" else _number(value, 1)
        case Thermal():
            return f"{_number(value * 100, 1)} %"
        case Rate():
            return _per_min(limit, value, displays, setting=False)
        case _:
            return _shown(limit.channel, value, displays=displays, setting=False)


def _per_min(
    limit: Rate, value: float, displays: Mapping[str, Display], *, setting: bool = True
) -> str:
    display = displays[CHANNELS[limit.channel].quantity]
    # A difference of temperatures is told in kelvins, unless a page shows other degrees.
    unit = "K" if display.unit == "°C" else display.unit
    number = value * display.factor
    return f"{_number(number, display.decimals + 1, setting=setting)} {unit}/min"


def _shown(
    channel: str,
    value: float,
    *,
    unit: bool = True,
    setting: bool = True,
    displays: Mapping[str, Display] = DISPLAYS,
) -> str:
    """Write a value of a channel in its display unit, with one digit more than pages show."""
    display = displays[CHANNELS[channel].quantity]
    number = _number(value * display.factor, display.decimals + 1, setting=setting)
    return f"{number} {display.unit}" if unit and display.unit else number


def _seconds(span_s: float) -> str:
    """Write a span as a person would: 0.5 s, 90 s, 10 min, 24 h."""
    for worth, unit in ((3600.0, "h"), (60.0, "min")):
        if span_s >= 2 * worth and span_s % worth == 0:
            return f"{_number(span_s / worth, 0)} {unit}"
    return f"{_number(span_s, 3, setting=True)} s"


def _number(value: float, decimals: int, *, setting: bool = False) -> str:
    """Write a number; of a `setting` at least two digits that say something: never 0 for 0.0005."""
    if setting and 0 < abs(value) < 1:
        decimals = max(decimals, 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{decimals}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text.replace("-", "−")
