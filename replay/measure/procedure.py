"""What a kind of measurement asks for: its readings, its spans, its cautions and steps. Pure data.

Light on purpose: `--help` is made of it.
"""

from dataclasses import dataclass

__all__ = ["Fact", "Procedure", "ReadingRule", "SpanRule"]


@dataclass(frozen=True, slots=True)
class Fact:
    """An assumption, a caution, a reason or a step: its code, and a sentence for people."""

    code: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRule:
    """What one name of a reading stands for in a kind of measurement."""

    name: str
    """"*": any name."""
    words: str
    units: tuple[str, ...]
    """UCUM codes that it may be told in; the first that fits is taken. Empty: any."""
    is_positive: bool = True
    """A length of an arm or a mass; False: of either sign."""
    at: tuple[str, ...] = ()
    """UCUM codes of what it may be read at, beside a span."""


@dataclass(frozen=True, slots=True)
class SpanRule:
    """What spans of a name, with or without a number behind it, stand for."""

    name: str
    """"*": any name."""
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """One kind of measurement on the bench."""

    name: str
    words: str
    """What it gives, one line."""
    readings: tuple[ReadingRule, ...] = ()
    spans: tuple[SpanRule, ...] = ()
    channels: tuple[str, ...] = ()
    """Names that may be taken from a channel in place of being typed."""
    cautions: tuple[Fact, ...]
    """Before the first step."""
    steps: tuple[Fact, ...]
    """What to clamp and do, in order."""
    takes: str
    """About how long it takes on the bench."""
