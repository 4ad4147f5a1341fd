"""The one sentence about a joint's heat, in parts: what is a number stays one for whoever sets it.

Pure. A page sets values, units and intervals apart; the terminal and the clipboard get them joined.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from replay.heat.answers import WARM_SHARE
from replay.heat.peak_load import beyond_text, first_beyond
from replay.heat.quantity import QuantityName
from replay.heat.result import HeatResult, HeldFor, LoadBand
from replay.heat.text import band_values, duration_values, recordings_text, unit_text

__all__ = [
    "PartKind",
    "SentencePart",
    "heat_sentence",
    "joined_parts",
    "sentence_parts",
    "unit_part",
    "warm_load",
    "words_part",
]


class PartKind(StrEnum):
    """What a part of a sentence is."""

    WORDS = "words"
    VALUE = "value"
    """A result."""
    GIVEN = "given"
    """A number that somebody chose."""
    UNIT = "unit"
    INTERVAL = "interval"
    """Of 95 %, behind the value and unit that it belongs to."""


@dataclass(frozen=True, slots=True)
class SentencePart:
    """A piece of text and what it is."""

    kind: PartKind
    text: str

    def to_json(self) -> list[str]:
        """Return it as a pair of texts."""
        return [self.kind.value, self.text]


def heat_sentence(result: HeatResult) -> str:
    """Return the sentence to copy; what is not known is said in it and not left out."""
    return joined_parts(sentence_parts(result))


def joined_parts(parts: Iterable[SentencePart]) -> str:
    """Return the parts of a sentence as one text: values, units and intervals included."""
    joined = ""
    for part in parts:
        if part.kind is PartKind.UNIT:
            joined += f" {part.text}"
        elif part.kind is PartKind.INTERVAL:
            joined += f" ({part.text})"
        else:
            joined += part.text
    return joined


def sentence_parts(result: HeatResult) -> Iterator[SentencePart]:
    """Yield the sentence in parts; units and intervals without the space before them."""
    if result.for_ever and result.limit_degC is not None:
        yield from _borne(result, result.limit_degC)
    else:
        yield from _not_borne(result)
    hours = f"{result.basis.hours:.1f}"
    yield words_part(f"; from {recordings_text(len(result.basis.recordings))}, ")
    yield SentencePart(PartKind.GIVEN, hours)
    yield unit_part("h")
    yield words_part(".")


def _borne(result: HeatResult, limit_degC: float) -> Iterator[SentencePart]:  # noqa: N803
    at = _reference(result)
    unit = unit_text(result.load_unit)
    yield words_part(f"{result.label_of(result.joint)} carries ")
    load = at.holding if result.is_holding else at.rotating
    if load[0] > 0.0:
        yield from _value(load, unit)
    else:
        yield words_part("nothing")
    yield words_part(" for ever where it is at " if result.ambient_is_idle else " for ever at ")
    yield SentencePart(PartKind.GIVEN, f"{at.ambient_degC:.0f}")
    yield unit_part("°C")
    if result.ambient_is_idle:
        yield words_part(" without load")
    if result.is_holding:
        yield words_part(", holding still")
    yield words_part(f" with its {result.node} at ")
    yield SentencePart(PartKind.GIVEN, f"{limit_degC:g}")
    yield unit_part("°C")
    held = next((one for one in result.held_for if math.isfinite(one.cold_s[0])), None)
    if held is not None:
        yield from _held(result, held)
    yield from _by_heat_alone(result, [load[0], *(() if held is None else (held.load,))])


def _by_heat_alone(result: HeatResult, loads: Sequence[float]) -> Iterator[SentencePart]:
    """Yield what the loads of the sentence are beyond; nothing if they are beyond nothing."""
    peak = first_beyond(result.peaks, max(loads))
    if peak is not None:
        # The lowest of them says it for those above it as well.
        lowest = min(load for load in loads if first_beyond((peak,), load))
        yield words_part(", by heat alone: ")
        yield SentencePart(PartKind.GIVEN, f"{lowest:.3g}")
        yield unit_part(unit_text(result.load_unit))
        yield words_part(f" is {beyond_text(peak, result.load_unit)}")


def _held(result: HeatResult, held: HeldFor) -> Iterator[SentencePart]:
    unit = unit_text(result.load_unit)
    yield words_part(", ")
    yield SentencePart(PartKind.VALUE, f"{held.load:.3g}")
    yield unit_part(unit)
    yield words_part(" for ")
    yield from _duration(held.cold_s)
    yield words_part(" from cold and ")
    yield from _duration(held.warm_s)
    yield words_part(" once settled at ")
    yield SentencePart(PartKind.GIVEN, f"{warm_load(result):.2g}")
    yield unit_part(unit)


def _not_borne(result: HeatResult) -> Iterator[SentencePart]:
    yield words_part(f"{result.label_of(result.joint)}: ")
    time = next((one for one in result.quantities if one.name is QuantityName.HOUSING_TIME), None)
    if time is not None and not result.has_changed:
        yield words_part("its housing has a time constant of ")
        yield from _duration((time.value, time.low, time.high))
        yield words_part("; ")
    if result.has_changed:
        yield words_part("its cooling or its heat changed within this time, so no one model holds")
    elif result.limit_degC is None:
        yield words_part("no temperature to hold was stated (--hottest)")
    else:
        yield words_part("what it bears is not known from this trace")


def warm_load(result: HeatResult) -> float:
    """Return the load under which a warm joint has settled, in the result's unit."""
    at = _reference(result)
    return WARM_SHARE * (at.holding if result.is_holding else at.rotating)[0]


def _reference(result: HeatResult) -> LoadBand:
    """Return the band at the ambient for which times are told as well."""
    held_at = (
        result.for_ever[0].ambient_degC if result.held_at_degC is None else result.held_at_degC
    )
    return min(result.for_ever, key=lambda one: abs(one.ambient_degC - held_at))


def words_part(text: str) -> SentencePart:
    """Return words of a sentence."""
    return SentencePart(PartKind.WORDS, text)


def unit_part(text: str) -> SentencePart:
    """Return the unit behind a value."""
    return SentencePart(PartKind.UNIT, text)


def _value(values: tuple[float, float, float], unit: str) -> Iterator[SentencePart]:
    value, interval = band_values(values)
    yield SentencePart(PartKind.VALUE, value)
    yield unit_part(unit)
    yield SentencePart(PartKind.INTERVAL, interval)


def _duration(values: tuple[float, float, float]) -> Iterator[SentencePart]:
    value, interval = duration_values(values)
    number, _, unit = value.rpartition(" ")
    if math.isfinite(values[0]):
        yield SentencePart(PartKind.VALUE, number)
        yield unit_part(unit)
    else:
        yield SentencePart(PartKind.VALUE, value)
    yield SentencePart(PartKind.INTERVAL, interval)
