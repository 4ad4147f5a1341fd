"""Spans that notes of a recording name: `loop1: clamped fast` begins one, the next ends it. Pure.

Who drives the bench by a script, or writes down what comes next, has named the spans already.
"""

import re
from collections.abc import Collection, Iterable, Iterator
from itertools import pairwise
from typing import Final

from logger.store.layout.events import Event
from replay.measure.evidence import NamedSpan
from replay.measure.procedure import Procedure
from replay.measure.progress import role_of_span

__all__ = ["noted_spans"]

_NAMED_NOTE: Final = re.compile(r"([^:]{1,60}?)\s*:")


def noted_spans(
    notes: Iterable[Event],
    procedure: Procedure,
    end_ns: int | None,
    *,
    named: Collection[str] = (),
) -> tuple[NamedSpan, ...]:
    """Return the spans of a procedure's roles that notes name, in order of time.

    Parameters
    ----------
    notes
        What stands before a colon is what begins there; notes without one neither begin nor end
        a span.
    end_ns
        End of the recording; None while it goes on: the last span is still open then.
    named
        Spans that readings are typed at, such as up1: of a procedure whose spans may have any
        name these are what is meant.

    A name that comes twice counts where it came first.
    """
    roles = {role for step in procedure.steps for role in step.spans}
    roles |= {one.name for one in procedure.spans}
    marks = sorted(
        (note.time_ns, match[1]) for note in notes if (match := _NAMED_NOTE.match(note.text))
    )
    spans: dict[str, NamedSpan] = {}
    for name, start_ns, stop_ns in _noted_ranges(marks, end_ns):
        if (name in named or role_of_span(name) in roles) and stop_ns > start_ns:
            spans.setdefault(name, NamedSpan(name=name, start_ns=start_ns, end_ns=stop_ns))
    return tuple(spans.values())


def _noted_ranges(
    marks: list[tuple[int, str]], end_ns: int | None
) -> Iterator[tuple[str, int, int]]:
    for (start_ns, name), (next_ns, _) in pairwise(marks):
        yield name, start_ns, next_ns
    if marks and end_ns is not None:
        yield marks[-1][1], marks[-1][0], end_ns
