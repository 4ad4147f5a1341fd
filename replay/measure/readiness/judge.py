"""All that a recording answers already of one joint; keeps what it has read. Reads recordings."""

import threading
from dataclasses import dataclass, field
from typing import Final

from logger.arrays import Floats, to_ns, to_s
from logger.errors import InputError
from logger.store.layout.byte_cache import ByteLruCache
from replay.heat.bins import read_trace
from replay.measure.evidence import NamedSpan, control_modes
from replay.measure.procedures.by_name import PROCEDURES
from replay.measure.readiness.heat_needed import needed_heat
from replay.measure.readiness.needed import Needed
from replay.measure.readiness.noted_needed import needed_spans
from replay.measure.readiness.rows_needed import CountedRows
from replay.measure.setup import SpanTrace
from replay.recording import Recording

__all__ = ["MOST_BACK_S", "ReadinessJudge"]

MOST_BACK_S: Final = 1800.0
"""Rows before the newest that are read at first: half an hour."""
AGAIN_S: Final = 20.0
"""Of recorded time, before rows are read again."""
HEAT_AGAIN_S: Final = 60.0
HEAT_AGAIN_SHARE: Final = 0.02
"""Of a recording's length: what is known of heat changes slowly in a long one."""
CHUNK_S: Final = 120.0
MOST_ROWS: Final = 300_000
"""Of a joint, read for one answer: a page does not wait for more; the rest is read for the next."""
MOST_JOINTS: Final = 256
_CHANNELS: Final = (
    *("position_rad", "speed_rad_s", "torque_Nm", "current_A"),
    *("torque_setpoint_Nm", "current_setpoint_A", "speed_setpoint_rad_s"),
    "position_setpoint_rad",
)


@dataclass(slots=True)
class _Joint:
    """What is known of one joint of one recording."""

    rows: CountedRows = field(default_factory=CountedRows)
    read_ns: int = 0
    again_ns: int = 0
    heat: Needed | None = None
    heat_ns: int = 0


class ReadinessJudge:
    """What recordings answer already; each row is read about once. Safe for several threads."""

    def __init__(self, *, most_rows: int = MOST_ROWS) -> None:
        """Begin without any; `most_rows` of a joint are read for one answer, or little more."""
        self._most_rows = most_rows
        # Each counts as 1.
        self._joints: ByteLruCache[_Joint] = ByteLruCache(max_bytes=MOST_JOINTS)
        self._turn = threading.Lock()

    def judge(self, recording: Recording, joint: str) -> tuple[Needed, ...]:
        """Return what there is of each kind that can be judged by a recording alone.

        Of rows that were recorded before the first call the newest half hour counts.
        """
        newest_ns = recording.newest_ns(joint)
        if newest_ns is None:
            return ()
        key = (recording.manifest.recording_id, str(recording.path), joint)
        with self._turn:
            known = self._joints.get(key)
            if known is None:
                known = _Joint()
                known.read_ns = max(recording.start_ns, newest_ns - to_ns(MOST_BACK_S))
                known.again_ns = known.read_ns
                self._joints.put(key, known, size_bytes=1)
            _read_rows(known, recording, joint, newest_ns, self._most_rows)
            _judge_heat(known, recording, joint, newest_ns)
            counted = (known.rows.needed_pairs(), known.rows.needed_holds())
            heat = known.heat
        notes = recording.read_notes()
        end_ns = None if recording.live else recording.end_ns
        noted = [
            one
            for name, procedure in PROCEDURES.items()
            if name not in {each.kind for each in counted}
            for one in needed_spans(procedure, notes, end_ns)
        ]
        return (*counted, *noted, *((heat,) if heat else ()))


def _read_rows(
    known: _Joint, recording: Recording, joint: str, newest_ns: int, most_rows: int
) -> None:
    is_late = newest_ns - known.read_ns >= to_ns(AGAIN_S) or not recording.live
    rows = 0
    while is_late and known.read_ns < newest_ns and rows < most_rows:
        end_ns = min(known.read_ns + to_ns(CHUNK_S), newest_ns + 1)
        span = _rows_of(recording, joint, known.again_ns, end_ns)
        again_s = known.rows.add_rows(span, to_s(end_ns - recording.start_ns))
        known.read_ns = end_ns
        rows += max((len(time_s) for time_s, _ in span.series.values()), default=0)
        known.again_ns = max(recording.start_ns + to_ns(max(again_s, 0.0)), known.again_ns)


def _rows_of(recording: Recording, joint: str, start_ns: int, end_ns: int) -> SpanTrace:
    names = [one for one in _CHANNELS if one in recording.channels(joint)]
    batch = recording.read_readings(joint, start_ns, end_ns, channels=names)
    series: dict[str, tuple[Floats, Floats]] = {}
    for name in names:
        time_ns, values = batch.channel_series(name)
        series[name] = to_s(time_ns - recording.start_ns), values
    return SpanTrace(
        name="all",
        recording=recording.name,
        start_ns=start_ns,
        end_ns=end_ns,
        series=series,
        holds_s={name: to_s(held) for name, held in recording.hold_ns(joint).items()},
        modes=control_modes(
            recording,
            joint,
            NamedSpan(name="all", start_ns=start_ns, end_ns=end_ns),
            recording.start_ns,
        ),
    )


def _judge_heat(known: _Joint, recording: Recording, joint: str, newest_ns: int) -> None:
    length_ns = newest_ns - recording.start_ns
    again_ns = max(to_ns(HEAT_AGAIN_S), round(HEAT_AGAIN_SHARE * length_ns))
    if known.heat_ns and (newest_ns - known.heat_ns < again_ns and recording.live):
        return
    if known.heat_ns == newest_ns:
        return
    known.heat_ns = newest_ns
    try:
        known.heat = needed_heat(read_trace([recording], joint).trace)
    except InputError:
        # No load, no temperature, or not a minute of both yet: nothing is said of it.
        known.heat = None
