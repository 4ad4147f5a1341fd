"""What an end that no recorder wrote may have cost: rows after the newest one that is left.

A recorder that is killed loses what it had not flushed. More is lost where its journal is damaged:
then the bytes that cannot be read say about how much, and where nothing is left of a journal its
number does, by which it lasts for so long. Pure but for the sizes of the journals.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from logger.arrays import to_s
from logger.event_kind import EventKind
from logger.store.layout.events import Event, pause_ns
from logger.store.layout.manifest import END_CUT_SHORT, CutShort, Manifest, iso_utc
from logger.store.writing.flush_policy import longest_journal_s
from logger.store.writing.journal import JournalReader

__all__ = ["cut_short_after", "cut_short_text", "earlier_cuts"]

UNFLUSHED_S: Final = 0.2
"""What a kill may cost: the journal is flushed several times as often."""
_UNSYNCED_S: Final = 1.0
"""What a power cut may cost."""
_SAME_NS: Final = 1_000_000


def cut_short_after(newest_ns: int, journals: Iterable[JournalReader]) -> CutShort:
    """Return what is lost after the newest row that is left, by the journals as they were read."""
    lost_s = UNFLUSHED_S
    empty = []
    for journal in journals:
        if journal.is_empty():
            empty.append(int(journal.path.stem))
            lost_s += longest_journal_s(empty[-1])
        elif journal.first_ns is not None:
            share = journal.unread_bytes() / journal.read_bytes
            lost_s = max(lost_s, share * to_s(max(newest_ns - journal.first_ns, 0)))
    return CutShort(newest_ns=newest_ns, lost_s=lost_s, empty_journals=tuple(empty))


def earlier_cuts(manifest: Manifest, events: Sequence[Event]) -> Iterator[CutShort]:
    """Yield the ends that recording.json does not name, since an older program sealed them."""
    found = []
    is_closed = True
    for event in events:
        if event.kind == EventKind.CONTINUED and not is_closed:
            found.append(event.time_ns - pause_ns(event) - 1)
        if event.kind in {EventKind.STARTED, EventKind.CONTINUED, EventKind.ENDED}:
            is_closed = event.kind == EventKind.ENDED
    if manifest.end_cause == END_CUT_SHORT and manifest.ended_ns is not None:
        found.append(manifest.ended_ns - 1)
    for newest_ns in found:
        # Durations of events are floats: a named end may differ by some nanoseconds.
        is_named = any(abs(cut.newest_ns - newest_ns) < _SAME_NS for cut in manifest.cut_short)
        # What a cut left out, it does not lack.
        if not is_named and newest_ns >= manifest.started_ns:
            yield CutShort(newest_ns=newest_ns, lost_s=UNFLUSHED_S)


def cut_short_text(cut: CutShort) -> str:
    """Return a sentence about what is lost."""
    since = f"after {iso_utc(cut.newest_ns)}"
    begin = "The recorder ended without closing the recording"
    if cut.empty_journals:
        names = ", ".join(f"{number:08d}" for number in cut.empty_journals)
        return (
            f"{begin}, and nothing can be read of journal {names}: what was recorded {since} is "
            f"missing, up to {math.ceil(cut.lost_s)} s."
        )
    if cut.lost_s > UNFLUSHED_S:
        return (
            f"{begin}: {since} about {cut.lost_s:.1f} s are missing, by the bytes of its journal "
            "that cannot be read."
        )
    return (
        f"{begin}: {since} up to {UNFLUSHED_S:g} s are missing, up to {_UNSYNCED_S:g} s after a "
        "power cut."
    )
