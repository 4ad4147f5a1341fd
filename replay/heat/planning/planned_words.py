"""What a planned motion does, in words. Pure."""

import math
from collections.abc import Iterator
from typing import Final

from replay.heat.planning.planned_heat import PlannedAssumption, PlannedHeat, Verdict
from replay.heat.sentence import PartKind, SentencePart, joined_parts, unit_part, words_part
from replay.heat.text import band_values, duration_text, duration_values, unit_text
from replay.heat.words import caution_text

__all__ = ["planned_lines", "planned_parts", "planned_sentence"]

_PLAN_ASSUMED: Final = {
    PlannedAssumption.FROM_COLD: "It begins with the joint as warm as without load.",
    PlannedAssumption.AS_RECORDED: "Mounting, airflow and friction are those of the recordings; "
    "standing parts count as turning ones, though at standstill one phase may carry the peak all "
    "the time: up to twice the loss.",
    PlannedAssumption.NO_SPEED: "The motion names no speed (speed_rad_s), so what the joint loses "
    "by speed is left out: it gets warmer than this.",
    PlannedAssumption.NO_SPEED_LOSS: "The recordings show no loss by speed, so the motion's speed "
    "changes nothing.",
    PlannedAssumption.IDLE_AS_AMBIENT: "The room was not recorded: the ambient is the temperature "
    "without load.",
}


def planned_sentence(planned: PlannedHeat) -> str:
    """Return the sentence to copy."""
    return joined_parts(planned_parts(planned))


def planned_parts(planned: PlannedHeat) -> Iterator[SentencePart]:
    """Yield the sentence in parts; units and intervals without the space before them."""
    yield words_part(f"{planned.motion}")
    if planned.factor != 1.0:
        yield words_part(", its load times ")
        yield SentencePart(PartKind.GIVEN, f"{planned.factor:g}")
    if planned.stretch != 1.0:
        yield words_part(", in ")
        yield SentencePart(PartKind.GIVEN, f"{planned.stretch:g}")
        yield words_part(" times its time")
    yield words_part(", where it is at " if planned.ambient_is_idle else " at ")
    yield SentencePart(PartKind.GIVEN, f"{planned.ambient_degC:.0f}")
    yield unit_part("°C")
    yield words_part(" without load, " if planned.ambient_is_idle else ", ")
    yield from _often(planned)
    value, low, high = planned.hottest_degC
    if math.isinf(value):
        yield words_part(": it never settles, since the copper's own warming outgrows the cooling")
    else:
        yield words_part(f": its {planned.node} gets to ")
        shown, interval = band_values((value, low, high))
        yield SentencePart(PartKind.VALUE, shown)
        yield unit_part("°C")
        yield SentencePart(PartKind.INTERVAL, interval)
    yield from _outcome(planned)


def _often(planned: PlannedHeat) -> Iterator[SentencePart]:
    if planned.passes is None:
        yield words_part("again and again for ever")
        return
    if planned.passes > 1:
        yield SentencePart(PartKind.GIVEN, f"{planned.passes}")
        yield words_part(" times")
    else:
        yield words_part("once")


def _outcome(planned: PlannedHeat) -> Iterator[SentencePart]:
    limit = f"{planned.limit_degC:g}"
    if planned.verdict is Verdict.HOLDS:
        shown, interval = band_values(planned.margin_K)
        yield words_part(", ")
        yield SentencePart(PartKind.VALUE, shown)
        yield unit_part("K")
        yield SentencePart(PartKind.INTERVAL, interval)
        yield words_part(" below ")
        yield SentencePart(PartKind.GIVEN, limit)
        yield unit_part("°C")
        yield words_part(": it can go on." if planned.passes is None else ": it can be done.")
        return
    yield words_part("; ")
    if planned.verdict is Verdict.NOT_SURE:
        yield words_part("whether that stays below ")
    yield SentencePart(PartKind.GIVEN, limit)
    yield unit_part("°C")
    if planned.verdict is Verdict.NOT_SURE:
        yield words_part(" is not known well enough: in ")
        yield SentencePart(PartKind.VALUE, f"{100.0 * planned.holds_share:.0f}")
        yield unit_part("%")
        yield words_part(" of what the trace leaves open it does")
        earliest_s = planned.first_over_s[1]
        if math.isfinite(earliest_s):
            yield words_part(", and it is reached after ")
            yield SentencePart(PartKind.VALUE, duration_text(earliest_s))
            yield words_part(" at the earliest")
    else:
        yield words_part(" is reached after ")
        shown, interval = duration_values(planned.first_over_s)
        yield SentencePart(PartKind.VALUE, shown)
        yield SentencePart(PartKind.INTERVAL, interval)
    yield words_part(".")


def planned_lines(planned: PlannedHeat) -> Iterator[str]:
    """Yield the motion's own figures, what is assumed, and cautions."""
    unit = unit_text(planned.load_unit)
    yield (
        f"The motion: {duration_text(planned.lasts_s)} a pass, {planned.rms:.3g} {unit} RMS, "
        f"{planned.peak:.3g} {unit} at most."
    )
    yield from (_PLAN_ASSUMED[one] for one in planned.assumptions)
    yield from (caution_text(one) for one in planned.cautions)
