"""The one sentence about a sheet: how many claims are met, missed, and open. Pure."""

from collections.abc import Iterator
from typing import Final

from replay.heat.sentence import PartKind, SentencePart
from replay.sheet.sheet import Sheet
from replay.sheet.verdict import Verdict

__all__ = ["sheet_sentence"]

_OPEN: Final = (Verdict.NOT_PROVEN, Verdict.NOT_COMPARABLE, Verdict.NOT_MEASURED)
_WORDS: Final = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
)


def sheet_sentence(sheet: Sheet) -> Iterator[SentencePart]:
    """Yield the sentence with the count of verdicts, in parts."""
    claims = sum(row.claim is not None for row in sheet.rows)
    label = sheet.specimen.label
    if not claims:
        yield SentencePart(PartKind.WORDS, f"Nothing is claimed of {label}: ")
        yield SentencePart(
            PartKind.WORDS, "say what its maker claims, in [joint.claims] of the bench file."
        )
        return
    counts = {verdict: sheet.count_of(verdict) for verdict in Verdict}
    of = (
        "one claim"
        if claims == 1
        else f"{_WORDS[claims] if claims < len(_WORDS) else claims} claims"
    )
    begin = "Simulated, not measured: of" if sheet.is_simulated else "Of"
    yield SentencePart(PartKind.WORDS, f"{begin} {of} {label} meets ")
    yield SentencePart(PartKind.VALUE, str(counts[Verdict.CONFIRMED]))
    yield SentencePart(PartKind.WORDS, " and falls short of ")
    yield SentencePart(PartKind.VALUE, str(counts[Verdict.FALLS_SHORT]))
    open_ones = [one for one in _OPEN if counts[one]]
    for at, verdict in enumerate(open_ones):
        yield SentencePart(
            PartKind.WORDS, "; " if at == 0 else (" and " if at == len(open_ones) - 1 else ", ")
        )
        yield SentencePart(PartKind.VALUE, str(counts[verdict]))
        verb = "is" if counts[verdict] == 1 else "are"
        yield SentencePart(PartKind.WORDS, f" {verb} {verdict.value}")
    yield SentencePart(PartKind.WORDS, ".")
