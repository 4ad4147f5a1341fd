"""The one sentence about a joint's load, in parts as that about its heat. Pure."""

from collections.abc import Iterator
from datetime import UTC, datetime

from replay.duty.duty_type import DutyType
from replay.duty.result import DutyResult, HeldAgainst, ModelLimit
from replay.heat.sentence import PartKind, SentencePart, joined_parts, unit_part, words_part
from replay.heat.text import band_values, duration_text, unit_text

__all__ = ["duty_parts", "duty_sentence", "share_values", "source_text"]


def duty_sentence(result: DutyResult) -> str:
    """Return the sentence to copy."""
    return joined_parts(duty_parts(result))


def duty_parts(result: DutyResult) -> Iterator[SentencePart]:
    """Yield the sentence in parts; units and intervals without the space before them."""
    unit = unit_text(result.unit)
    yield words_part(f"{result.label} carried ")
    yield _value(f"{result.rms:.3g}")
    yield unit_part(unit)
    yield words_part(" RMS over ")
    yield from _given_duration(result.held_s)
    tightest = result.tightest
    if tightest is not None:
        value, interval = share_values(tightest.share)
        is_model = tightest.against is HeldAgainst.MODEL
        yield words_part("; over its tightest ")
        yield from _given_duration(float(tightest.window.window_s))
        yield words_part(" ")
        yield _value(f"{tightest.window.rms:.3g}")
        yield unit_part(unit)
        yield words_part(", ")
        yield _value(value)
        yield unit_part("%")
        if is_model:
            yield SentencePart(PartKind.INTERVAL, interval)
        if is_model and result.limit is not None:
            yield words_part(f" of what it holds for so long with its {result.limit.node} at ")
            yield SentencePart(PartKind.GIVEN, f"{result.limit.limit_degC:g}")
            yield unit_part("°C")
            if result.limit.fitted_to:
                yield words_part(f" (as fitted to {source_text(result.limit)})")
        else:
            yield words_part(" of the rated value")
    duty = result.duty
    if result.cycles:
        yield words_part("; in cycles of ")
        yield from _duration(result.cycles[0].period_s)
    if duty.kind in {DutyType.S1, DutyType.S2, DutyType.S3, DutyType.S6}:
        yield words_part(", duty " if result.cycles else "; duty ")
        yield _value(duty.kind.value)
        if duty.loaded_share is not None:
            yield words_part(" at ")
            yield _value(f"{100 * duty.loaded_share:.0f}")
            yield unit_part("%")
    yield words_part(".")


def source_text(limit: ModelLimit) -> str:
    """Return the other recordings that a joint was fitted to, each with its date."""
    return ", ".join(
        f"{one.recording} of {datetime.fromtimestamp(one.start_ns // 1_000_000_000, UTC):%Y-%m-%d}"
        + (f", kept as {one.finding[:8]}" if one.finding else "")
        for one in limit.fitted_to
    )


def share_values(share: tuple[float, float, float]) -> tuple[str, str]:
    """Return a share and its interval in per cent."""
    value, low, high = share
    return band_values((100.0 * value, 100.0 * low, 100.0 * high))


def _value(text: str) -> SentencePart:
    return SentencePart(PartKind.VALUE, text)


def _given_duration(duration_s: float) -> Iterator[SentencePart]:
    number, _, unit = duration_text(duration_s).rpartition(" ")
    yield SentencePart(PartKind.GIVEN, number)
    yield unit_part(unit)


def _duration(values: tuple[float, float, float]) -> Iterator[SentencePart]:
    size, unit = (60.0, "min") if values[0] >= 300.0 else (1.0, "s")
    value, interval = band_values((values[0] / size, values[1] / size, values[2] / size))
    yield _value(value)
    yield unit_part(unit)
    yield SentencePart(PartKind.INTERVAL, interval)
