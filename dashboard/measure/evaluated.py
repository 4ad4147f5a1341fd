"""The evaluation of what the page asks: that of `dutytrace measure`, by the same functions.

While nothing changes it is made once, however often the page asks.
"""

from dataclasses import dataclass, replace
from typing import Final

from dashboard.measure.question import AskedMeasurement
from logger.arrays import to_s
from logger.errors import InputError
from logger.store.layout.byte_cache import ByteLruCache
from replay.measure.evaluate import bench_setup, evaluate_measurement, expect_measurement
from replay.measure.progress import steps_of_way
from replay.measure.result import Expectation, Measurement
from replay.measure.setup import BenchSetup
from replay.recording import Recording

__all__ = ["Evaluations", "MeasureOutcome", "setup_of"]

MAX_OUTCOMES: Final = 24
LEAST_OPEN_S: Final = 1.0
"""A span that was begun later is not looked at yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOutcome:
    """What became of a measurement so far."""

    result: Measurement | None = None
    """Of all that is there; of what is closed, where a span that is open gives none yet."""
    refused: InputError | None = None
    """What is missing for a result of all that is there, in the evaluation's own words."""
    expected: Expectation | None = None
    """How narrow it can get, as long as there is no result."""


class Evaluations:
    """The outcomes of the measurements that pages asked for last. Safe for several threads."""

    def __init__(self) -> None:
        # Each counts as 1.
        self._outcomes: ByteLruCache[MeasureOutcome] = ByteLruCache(max_bytes=MAX_OUTCOMES)
        self._expected: ByteLruCache[MeasureOutcome] = ByteLruCache(max_bytes=MAX_OUTCOMES)

    def find(self, recording: Recording, asked: AskedMeasurement) -> MeasureOutcome:
        """Return the outcome of a measurement; a span that is open counts up to now."""
        closed = replace(asked, spans=tuple(one for one in asked.spans if one.end_s is not None))
        begun_s = to_s(recording.end_ns - recording.start_ns) - LEAST_OPEN_S
        if all(one.begin_s > begun_s for one in asked.spans if one.end_s is None):
            return self._outcome(recording, closed)
        whole = self._outcome(recording, asked)
        if whole.result is not None:
            return whole
        before = self._outcome(recording, closed)
        return replace(whole, result=before.result)

    def _outcome(self, recording: Recording, asked: AskedMeasurement) -> MeasureOutcome:
        end_ns = recording.end_ns
        ends = [one.named(recording.start_ns, end_ns).end_ns for one in asked.spans]
        # What ends at the newest row or behind it is read again once there is more.
        state = end_ns if max(ends, default=0) >= end_ns else 0
        key = (recording, asked, state)
        outcome = self._outcomes.get(key)
        if outcome is None:
            outcome = self._evaluate(recording, asked)
            self._outcomes.put(key, outcome, size_bytes=1)
        return outcome

    def _evaluate(self, recording: Recording, asked: AskedMeasurement) -> MeasureOutcome:
        refused = None
        if not asked.is_empty:
            try:
                result = evaluate_measurement(asked.kind, setup_of(recording, asked))
                return MeasureOutcome(result=result)
            except InputError as fault:
                refused = fault
        return MeasureOutcome(refused=refused, expected=self._expectation(recording, asked))

    def _expectation(self, recording: Recording, asked: AskedMeasurement) -> Expectation | None:
        """Return how narrow it can get with these instruments, which spans do not change."""
        steps = steps_of_way(asked.procedure, asked.way)
        ways = {one.way for one in steps if one.way}
        if asked.procedure.expected_way and asked.procedure.expected_way not in ways:
            return None
        bare = replace(asked, spans=(), channels=())
        readings = tuple(one for one in bare.readings if not _is_at_span(one, asked))
        bare = replace(bare, readings=readings)
        known = self._expected.get((recording, bare))
        if known is None:
            try:
                setup = bench_setup(
                    bare.kind,
                    joint=bare.joint,
                    readings=bare.readings,
                    divisions=dict(bare.divisions),
                )
                expected = expect_measurement(bare.kind, setup)
            except InputError:
                expected = None
            known = MeasureOutcome(expected=expected)
            self._expected.put((recording, bare), known, size_bytes=1)
        return known.expected


def setup_of(recording: Recording, asked: AskedMeasurement) -> BenchSetup:
    """Return what an evaluation stands on.

    Raises
    ------
    InputError
        Something does not fit the kind of measurement.
    """
    end_ns = recording.end_ns
    return bench_setup(
        asked.kind,
        recordings=[recording],
        joint=asked.joint,
        spans=[one.named(recording.start_ns, end_ns) for one in asked.spans],
        readings=asked.readings,
        divisions=dict(asked.divisions),
        channels=dict(asked.channels),
    )


def _is_at_span(reading: str, asked: AskedMeasurement) -> bool:
    return any(reading.endswith(f" at {one.name}") for one in asked.spans)
