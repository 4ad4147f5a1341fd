"""What a kind of measurement asks for: its readings, its spans, its cautions and steps. Pure data.

Light on purpose: `--help` is made of it. The command, the programme and the page show the same.
"""

from dataclasses import KW_ONLY, dataclass

__all__ = ["Fact", "Procedure", "ReadingRule", "SpanRule", "Step"]


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
    """UCUM codes of what it may be read at."""
    at_span: bool = False
    """It may be read at a span, by the span's name."""
    repeats: str = ""
    """The reading that it repeats at the same level; "": none."""


@dataclass(frozen=True, slots=True)
class SpanRule:
    """What spans of a name, with or without a number behind it, stand for."""

    name: str
    """"*": any name."""
    words: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do on the bench, and what shows that it was done."""

    code: str
    words: str
    _: KW_ONLY
    way: str = ""
    """The way of the procedure that it belongs to; "": all of them."""
    spans: tuple[str, ...] = ()
    """Names of the spans that are marked in it, to be numbered where there are several."""
    channel: str = ""
    """The reading that has to be taken from a recorded channel for its spans to tell anything."""
    readings: tuple[str, ...] = ()
    """Names of what is read off and typed in it."""
    wants: int = 0
    """How many of these it takes together; 0: nothing shows that it was done."""
    watch: tuple[str, ...] = ()
    """Channels to keep in sight meanwhile; the first that is recorded."""
    keeps: tuple[str, ...] = ()
    """What has to keep right meanwhile, as `replay.measure.watch` names it."""

    @property
    def words_with_way(self) -> str:
        """The words, after the way that they belong to: "Loop: clamp the output fast."."""
        return f"{self.way.capitalize()}: {self.words}" if self.way else self.words


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """One kind of measurement on the bench."""

    name: str
    title: str
    """What a page calls it."""
    words: str
    """What it gives, one line."""
    readings: tuple[ReadingRule, ...] = ()
    spans: tuple[SpanRule, ...] = ()
    channels: tuple[str, ...] = ()
    """Names that may be taken from a channel in place of being typed."""
    cautions: tuple[Fact, ...]
    """Before the first step."""
    steps: tuple[Step, ...]
    """What to clamp and do, in order."""
    ways: tuple[Fact, ...] = ()
    """Ways of measuring it, of which one is chosen; empty: there is one."""
    expected_way: str = ""
    """The way of which can be said beforehand how narrow it gets; "": all."""
    takes: str
    """About how long it takes on the bench."""
