"""The flags of a joint: which bit of a code, which state or which message was on, and when.

A flag has a name in the layout's words and the spans in which it was on. How often it came on and
for how long are whole numbers that add up over neighbouring bins: a live page that adds the bins as
they close has what one reading of the whole gives. Time in which a joint has a gap counts for none.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.arrays import TIME_MAX_NS, Ints
from logger.joint.bench.codes import UNKNOWN_CODE, CodeTable
from logger.joint.channels import channel_named
from logger.joint.quantities import QUANTITIES
from logger.store.pyramid.seconds import BASE_NS, gap_limit_ns
from logger.time_chunks import time_chunks
from replay.code_courses import (
    NO_CODES,
    SPAN_NS,
    CodeCourse,
    CodeSource,
    course_of_readings,
    merged_course,
)
from replay.drive_state import codes_of_channel, codes_of_message
from replay.recording import Recording

__all__ = [
    "FLAG_QUANTITIES",
    "Flag",
    "FlagBins",
    "count_flag",
    "flag_bins",
    "held_spans",
    "holds_messages_back",
    "read_flags",
]

FLAG_QUANTITIES: Final = ("fault", "state")
"""Codes of which each bit or name is a flag; a count is a number like any other."""
MAX_ROWS: Final = 2_000_000
"""Rows that are read of a joint whose events were held back; where there are more, its seconds."""
MAX_FLAGS: Final = 12
"""Of one source; a code without words may have thousands of values."""
OTHER_FLAGS: Final = "others"
_NO_FAULT_CODE: Final = 0
_FIRST_READ_NS: Final = 10_000_000_000
"""So long after its start a recording is searched for the code that it begins with."""
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One flag of a joint over the whole recording."""

    joint: str
    quantity: str
    """ "fault" or "state"."""
    channel: str
    """ "" of a message."""
    name: str
    on_ns: Ints
    """When it came on, shape (k,), in order of time."""
    off_ns: Ints
    """When it went off, `TIME_MAX_NS` where it has not; of a message when it came."""
    lasts: bool = True
    """False of messages that say nothing of how long: they are counted only."""
    is_counted: bool = True
    """False where it came on too often to be counted: only its share is known."""
    is_least: bool = False
    """Whether it came more often than is known: the recorder held messages of the joint back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagBins:
    """A flag in n neighbouring bins, each of shape (n,)."""

    onsets: Ints
    """How often it came on."""
    on_ns: Ints
    held_ns: Ints
    """How long the joint reported, whatever the flag."""

    @property
    def count(self) -> int:
        """How often it came on in all of them."""
        return int(self.onsets.sum())

    @property
    def share(self) -> float:
        """The share of the reported time in which it was on; NaN where nothing was reported."""
        held = int(self.held_ns.sum())
        return int(self.on_ns.sum()) / held if held else float("nan")


def read_flags(recording: Recording, joint: str) -> tuple[Flag, ...]:
    """Return the flags of a joint that were ever on, faults first, in the order of the layout."""
    flags: list[Flag] = []
    for source, course in _read_courses(recording, joint):
        flags += _flags_of_source(recording, source, course)
    return tuple(sorted(flags, key=lambda flag: FLAG_QUANTITIES.index(flag.quantity)))


def held_spans(recording: Recording, joint: str) -> tuple[Ints, Ints]:
    """Return begin and end of the spans in which a joint reported, each of shape (n,).

    What was reported last holds into a gap, for as long as makes it one: whether a live bin has
    ended in a gap is known when it closes.
    """
    limit_ns = gap_limit_ns(recording.hold_ns(joint))
    gaps = [
        (begin if begin == recording.start_ns else min(begin + limit_ns, end), end)
        for begin, end in recording.read_gaps(joint)
    ]
    begins = [recording.start_ns, *(end for _, end in gaps)]
    ends = [*(begin for begin, _ in gaps), recording.end_ns]
    return np.array(begins, np.int64), np.maximum(np.array(ends, np.int64), begins)


def flag_bins(flag: Flag, held: tuple[Ints, Ints], edges_ns: Ints) -> FlagBins:
    """Return a flag in the n bins between n + 1 edges.

    Parameters
    ----------
    held
        The spans in which its joint reported (`held_spans`).
    """
    reported = _time_within(*held, edges_ns)
    on = _time_within(_reported_at(held, flag.on_ns), _reported_at(held, flag.off_ns), reported)
    return FlagBins(
        onsets=np.diff(np.searchsorted(flag.on_ns, edges_ns)).astype(np.int64),
        on_ns=np.diff(on),
        held_ns=np.diff(reported),
    )


def count_flag(flag: Flag, held: tuple[Ints, Ints], start_ns: int, end_ns: int) -> FlagBins:
    """Return a flag over [start_ns, end_ns), as one bin."""
    return flag_bins(flag, held, np.array([start_ns, max(start_ns, end_ns)], np.int64))


def _reported_at(held: tuple[Ints, Ints], at_ns: Ints) -> Ints:
    """Return how long the joint had reported by each instant."""
    return _time_within(*held, at_ns)


def _time_within(begins: Ints, ends: Ints, at: Ints) -> Ints:
    """Return how much of some spans lies before each instant; spans in order, not overlapping."""
    total = np.concatenate([np.zeros(1, np.int64), np.cumsum(ends - begins)])
    begun = np.searchsorted(begins, at, "right")
    last_end = np.concatenate([np.full(1, -TIME_MAX_NS, np.int64), ends])[begun]
    return total[begun] - np.maximum(last_end - at, 0)


def _read_courses(recording: Recording, joint: str) -> Iterator[tuple[CodeSource, CodeCourse]]:
    """Yield what reports codes of a joint, in the order of the layout, with its course."""
    courses = recording.read_code_courses()
    frames = recording.bench.layout_of(recording.bench.joint_named(joint)).frame
    for channel in recording.channels(joint):
        if channel_named(channel).quantity not in FLAG_QUANTITIES:
            continue
        source = CodeSource(joint=joint, channel=channel)
        if codes_of_channel(frames, channel) is None:
            # Of a table or a sensor: nothing looked at its codes while they were written.
            yield (
                source,
                recording.code_courses.read_once(
                    source, recording.reading_count(joint), partial(_course_of_rows, recording)
                ),
            )
            continue
        course = courses.get(source, NO_CODES)
        if recording.manifest.cut_from:
            course = _with_first_code(recording, source, course)
        yield source, _with_held_back(recording, source, course)
    for frame in frames:
        source = CodeSource(joint=joint, channel="", frame=frame.name)
        if frame.part and source in courses:
            yield source, courses[source]


def _course_of_rows(recording: Recording, source: CodeSource) -> CodeCourse:
    times, codes = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    for begin_ns, until_ns in time_chunks(recording.start_ns, recording.end_ns + 1):
        time_ns, value = recording.read_readings(
            source.joint, begin_ns, until_ns, channels=[source.channel]
        ).channel_series(source.channel)
        part = course_of_readings(time_ns, value.astype(np.int64))
        times.append(part.time_ns)
        codes.append(part.code)
    return course_of_readings(np.concatenate(times), np.concatenate(codes))


def _with_first_code(recording: Recording, source: CodeSource, course: CodeCourse) -> CodeCourse:
    """Return the course of a cut with the code it begins with: its event was before the cut."""
    until_ns = recording.start_ns + _FIRST_READ_NS
    time_ns, value = recording.read_readings(
        source.joint, recording.start_ns, until_ns, channels=[source.channel], lead_in=True
    ).channel_series(source.channel)
    return course.since(int(time_ns[0]), int(value[0])) if len(time_ns) else course


def _with_held_back(recording: Recording, source: CodeSource, course: CodeCourse) -> CodeCourse:
    """Return a course with the changes of which no event tells, from rows or from seconds."""
    courses = recording.code_courses
    spans = courses.held_back_spans(source.joint)
    parts = [course]
    if spans:
        read = _codes_of_seconds if _are_too_many(recording, source.joint) else _codes_of_rows
        parts.append(courses.read_once(source, len(spans), partial(read, recording, spans)))
    since_ns = courses.holding_back_ns(source.joint)
    if since_ns is not None:
        span = since_ns, min(since_ns + SPAN_NS, recording.end_ns)
        parts.append(_codes_of_rows(recording, [span], source))
    return course if len(parts) == 1 else merged_course(parts)


def holds_messages_back(recording: Recording, joint: str) -> bool:
    """Return whether the recorder held back events of a joint's codes, so far."""
    return bool(recording.code_courses.held_back_spans(joint))


def _are_too_many(recording: Recording, joint: str) -> bool:
    """Return whether a joint has more rows than are read where its events were held back."""
    spans = recording.code_courses.held_back_spans(joint)
    share = sum(end - begin for begin, end in spans) / max(1, recording.end_ns - recording.start_ns)
    return share * recording.reading_count(joint) > MAX_ROWS


def _codes_of_rows(
    recording: Recording, spans: Sequence[tuple[int, int]], source: CodeSource
) -> CodeCourse:
    begins, ends = (np.array(edges, np.int64) for edges in zip(*spans, strict=True))
    parts = [NO_CODES]
    for begin_ns, until_ns in time_chunks(int(begins[0]), int(ends[-1])):
        if not ((begins < until_ns) & (ends > begin_ns)).any():
            continue
        time_ns, value = recording.read_readings(
            source.joint, begin_ns, until_ns, channels=[source.channel]
        ).channel_series(source.channel)
        begun = np.searchsorted(begins, time_ns, "right")
        is_inside = (begun > 0) & (time_ns < ends[begun - 1])
        parts.append(course_of_readings(time_ns[is_inside], value[is_inside].astype(np.int64)))
    return merged_course(parts)


def _codes_of_seconds(
    recording: Recording, spans: Sequence[tuple[int, int]], source: CodeSource
) -> CodeCourse:
    """Return a course in which each second has its two codes for as long as it had them.

    Exact where a second has two codes, in an order of its own; of more the middle ones count for
    the two ends.
    """
    begins, ends = (np.array(edges, np.int64) for edges in zip(*spans, strict=True))
    first_ns, last_ns = begins[0] // BASE_NS * BASE_NS, -(-ends[-1] // BASE_NS) * BASE_NS
    seconds = recording.read_buckets(source.joint, source.channel, int(first_ns), int(last_ns))
    middle_ns = seconds.start_ns + BASE_NS // 2
    begun = np.searchsorted(begins, middle_ns, "right")
    seconds_inside = np.flatnonzero((begun > 0) & (middle_ns < ends[begun - 1]))
    start_ns = seconds.start_ns[seconds_inside]
    low, high = seconds.minimum[seconds_inside], seconds.maximum[seconds_inside]
    share = (seconds.mean[seconds_inside] - low) / np.where(high > low, high - low, 1.0)
    time_ns = np.stack([start_ns, start_ns + (share * BASE_NS).astype(np.int64)], axis=1)
    return course_of_readings(
        time_ns.ravel(), np.stack([high, low], axis=1).ravel().astype(np.int64)
    )


def _flags_of_source(
    recording: Recording, source: CodeSource, course: CodeCourse
) -> Iterator[Flag]:
    frames = recording.bench.layout_of(recording.bench.joint_named(source.joint)).frame
    lasts = True
    if source.channel:
        quantity = channel_named(source.channel).quantity
        codes = codes_of_channel(frames, source.channel)
    else:
        frame = next(frame for frame in frames if frame.name == source.frame)
        quantity, codes, lasts = frame.event, codes_of_message(frame), frame.tells == "change"
    seen, place = np.unique(course.code, return_inverse=True)
    named: dict[str, Mask] = {}
    for name, is_on in _named_masks(codes, seen, quantity):
        # Beyond the most that are shown apart, the rest is one flag: on while any of them is.
        key = name if name in named or len(named) < MAX_FLAGS - 1 else OTHER_FLAGS
        named[key] = named.get(key, False) | is_on
    for name, is_on in named.items():
        spans = _spans_of(course, is_on[place], each=not lasts)
        if len(spans[0]):
            yield Flag(
                joint=source.joint,
                quantity=quantity,
                channel=source.channel,
                name=name,
                on_ns=spans[0],
                off_ns=spans[1],
                lasts=lasts,
                is_counted=not (source.channel and _are_too_many(recording, source.joint)),
                # Of a channel the rows tell what no event does; a message has none.
                is_least=not source.channel and holds_messages_back(recording, source.joint),
            )


def _named_masks(codes: CodeTable | None, seen: Ints, quantity: str) -> Iterator[tuple[str, Mask]]:
    """Yield each name that codes have, with which of the codes `seen` have it."""
    if codes is None or not (codes.names or codes.flags):
        for code in seen.tolist():
            if code != _NO_FAULT_CODE or quantity != "fault":
                text = str(code) if codes is None else codes.format_code(code)
                yield f"{QUANTITIES[quantity].label} {text}", seen == code
        return
    if codes.names:
        names = np.array([codes.name_of(code) for code in seen.tolist()], object)
        no_fault = codes.name_of(_NO_FAULT_CODE)
        for name in dict.fromkeys([*(name for _, _, name in codes.names), UNKNOWN_CODE]):
            is_fault = name != no_fault or name == UNKNOWN_CODE
            if (quantity != "fault" or is_fault) and (names == name).any():
                yield name, (names == name) & ((seen != _NO_FAULT_CODE) | (quantity != "fault"))
    flag_names = dict(codes.flags)
    for bit in range(codes.bits):
        is_set = (seen >> bit & 1).astype(bool)
        if is_set.any() and (bit in flag_names or not codes.names):
            yield flag_names.get(bit, f"bit {bit}"), is_set


def _spans_of(course: CodeCourse, is_on: Mask, *, each: bool) -> tuple[Ints, Ints]:
    """Return when it came on and when it went off again; `each`: every report is one instant."""
    if each:
        return course.time_ns[is_on], course.time_ns[is_on]
    steps = np.diff(is_on.astype(np.int8), prepend=0, append=0)
    times = np.append(course.time_ns, np.int64(TIME_MAX_NS))
    return times[np.flatnonzero(steps == 1)], times[np.flatnonzero(steps == -1)]
