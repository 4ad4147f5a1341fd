"""The answer of a campaign as one sentence: did anything change since yesterday, before? Pure."""

from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Final

from dashboard.campaign.figure_text import FigureText, running_text
from dashboard.text.format import format_short_date_time, format_thousands
from dashboard.text.units import Displays
from replay.campaign.campaign import Campaign, hour_ns
from replay.campaign.change_scan import ChangeShape
from replay.campaign.figure_trend import Change
from replay.heat.sentence import PartKind, SentencePart, unit_part, words_part

__all__ = ["campaign_parts"]

MOST_NAMED: Final = 2
"""Changes that a sentence tells; the others stand in the list."""
Found = tuple[FigureText, Change]


def campaign_parts(campaign: Campaign, displays: Displays, zone: tzinfo) -> list[SentencePart]:
    """Return the sentence in parts."""
    texts = {(one.stage, one.trend.name): FigureText(one, displays) for one in campaign.figures}
    judged = [one for one in texts.values() if one.figure.trend.not_judged is None]
    new = [(texts[one.stage, one.name], one.change) for one in campaign.new_changes]
    known = [change for _, change in new]
    old = [
        (text, change)
        for text in judged
        for change in text.figure.trend.changes
        if change not in known
    ]
    if not judged:
        return [*_not_yet(campaign)]
    return [*_changes(campaign, judged, new, old, zone)]


def _not_yet(campaign: Campaign) -> Iterator[SentencePart]:
    yield words_part("Whether anything changed is not known yet: ")
    yield SentencePart(PartKind.VALUE, format_thousands(campaign.cycles))
    yield words_part(f" cycle{'s' if campaign.cycles != 1 else ''} in ")
    yield from _running_parts(campaign.hours)
    yield words_part(" so far; figures are judged from seven days on.")


def _changes(
    campaign: Campaign,
    judged: Sequence[FigureText],
    new: Sequence[Found],
    old: Sequence[Found],
    zone: tzinfo,
) -> Iterator[SentencePart]:
    of = len(judged)
    if new:
        yield words_part("Since yesterday ")
        yield SentencePart(PartKind.VALUE, str(len({id(text) for text, _ in new})))
        yield words_part(f" of {of} figure{'s' if of > 1 else ''} has changed: ")
        yield from _several(campaign, new, zone)
        yield words_part(", compared at like temperature" if _is_compared(new) else "")
        yield words_part(".")
    else:
        yield words_part("No new change since yesterday" if old else "No change of ")
    if old:
        yield words_part(" Before that " if new else "; before that ")
        yield from _several(campaign, old[-MOST_NAMED:], zone)
        yield words_part(".")
    if not new and not old:
        yield SentencePart(PartKind.VALUE, str(of))
        yield words_part(f" figure{'s' if of > 1 else ''} is more than chance over ")
        yield from _running_parts(campaign.hours)
        yield words_part(" of running.")


def _running_parts(hours: float) -> Iterator[SentencePart]:
    """Yield how long a joint ran."""
    value, unit = running_text(hours)
    yield SentencePart(PartKind.VALUE, value)
    yield unit_part(unit)


def _is_compared(found: Sequence[Found]) -> bool:
    return all(text.figure.compared_by for text, _ in found)


def _several(campaign: Campaign, found: Sequence[Found], zone: tzinfo) -> Iterator[SentencePart]:
    for at, (text, change) in enumerate(found[:MOST_NAMED]):
        if at:
            yield words_part(" and ")
        is_step, size = change.shape is ChangeShape.STEP, change.size
        way = (
            ("rose" if is_step else "has been rising")
            if size > 0.0
            else ("fell" if is_step else "has been falling")
        )
        low, high = change.size_low, change.size_high
        ends = (low, high) if size > 0.0 else (-high, -low)
        amount = text.amount(abs(size), ends[0], ends[1])
        when = format_short_date_time(hour_ns(campaign, change.date_h), zone)
        yield words_part(f"{text.word} {way} by ")
        yield SentencePart(PartKind.VALUE, amount.value.removeprefix("+"))
        yield unit_part(amount.unit)
        yield SentencePart(PartKind.INTERVAL, amount.interval)
        yield words_part(" on " if is_step else " until now, since ")
        yield SentencePart(PartKind.GIVEN, when)
    more = len(found) - MOST_NAMED
    if more > 0:
        yield words_part(f" and {more} more")
