"""Figures of any span: those that plain loops over the raw rows give, to 1e-9."""

import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording
from replay.statistics import WeightedStatistics, rms_before, span_statistics
from tests.support.parts import SEALED_HERE, tick_into_parts

S = 1_000_000_000
START_NS = 1_795_000_000 * S + 987_654_321
HOLD_NS = {"torque_Nm": S // 2, "temperature_housing_degC": 5 * S}
BENCH = bench_from_texts(
    '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
    {
        "l": 'format = 1\nname = "l"\n'
        '[[frame]]\nname = "s"\nidentifier = 1\nlength = 2\nhold_s = 0.5\n'
        '[[frame.value]]\nchannel = "torque_Nm"\nbyte = 0\nbits = 16\n'
        '[[frame]]\nname = "t"\nidentifier = 2\nlength = 2\nhold_s = 5.0\n'
        '[[frame.value]]\nchannel = "temperature_housing_degC"\nbyte = 0\nbits = 16\n'
    },
    where="bench.toml",
)


def _trace(seed: int) -> ReadingBatch:
    """Make four minutes of two channels, each null where the other's frame came."""
    dice = np.random.default_rng(seed)
    steps = dice.choice([0, 1, 3_000_000, 70_000_000, 480_000_000, 7 * S], 2500, p=[
        0.02, 0.02, 0.36, 0.3, 0.29, 0.01])  # fmt: skip
    slow = dice.random(len(steps)) < 0.1
    return ReadingBatch(
        joint="a",
        time_ns=START_NS + np.cumsum(steps),
        position_segment=np.full(len(steps), -1, np.int32),
        columns={
            "torque_Nm": np.where(slow, np.nan, dice.normal(-3, 20, len(steps))),
            "temperature_housing_degC": np.where(slow, dice.normal(60, 2, len(steps)), np.nan),
        },
    )


def _recorded(path: Path, batch: ReadingBatch, *, how: str) -> Recording:
    """Record in eleven stretches: all in the journal, all but the last in parts, or closed."""
    manifest = new_manifest(BENCH, name="t", started_ns=START_NS)
    writer = RecordingWriter(path, manifest, BENCH, now_s=0.0, flush_policy=SEALED_HERE)
    edges = np.linspace(0, len(batch), 12).astype(int).tolist()
    for number, (low, high) in enumerate(pairwise(edges), start=1):
        writer.append_readings(batch.select_rows(slice(low, high)))
        if how != "journal" and high < len(batch):
            tick_into_parts(writer, number * 5000.0)
    if how == "closed":
        writer.close(ended_ns=int(batch.time_ns[-1]) + S, cause="stopped")
        return Recording.open(path)
    writer._journal.flush()
    recording = Recording.open(path)
    writer.abandon()
    return recording


def _plain(
    batch: ReadingBatch, channel: str, start_ns: int, end_ns: int, until_ns: int
) -> WeightedStatistics:
    """Work the figures out in a loop, with exact sums."""
    rows = [
        (int(at), float(value))
        for at, value in zip(batch.time_ns, batch.columns[channel], strict=True)
        if not math.isnan(value)
    ]
    n, seen, weights, first, second = 0, [], [], [], []
    for index, (at, value) in enumerate(rows):
        following = rows[index + 1][0] if index + 1 < len(rows) else until_ns
        held_ns = min(following, at + HOLD_NS[channel], end_ns) - max(at, start_ns)
        inside = start_ns <= at < end_ns
        n += inside
        if inside or held_ns > 0:
            seen.append(value)
        if held_ns > 0:
            weights.append(held_ns)
            first.append(held_ns * value)
            second.append(held_ns * value * value)
    total = sum(weights)
    return WeightedStatistics(
        n=n,
        duration_s=total * 1e-9,
        minimum=min(seen, default=math.nan),
        maximum=max(seen, default=math.nan),
        mean=math.fsum(first) / total if total else math.nan,
        rms=math.sqrt(math.fsum(second) / total) if total else math.nan,
    )


def _spans(batch: ReadingBatch, seed: int) -> list[tuple[int, int]]:
    """Pick spans with both ends on readings, on whole seconds, a nanosecond off, and anywhere."""
    dice = np.random.default_rng(seed)
    last_ns = int(batch.time_ns[-1])
    picks = []
    for _ in range(40):
        at = int(dice.integers(START_NS - 3 * S, last_ns + 1))
        row = int(batch.time_ns[dice.integers(len(batch))])
        picks.append([at, at // S * S, at // S * S - 1, at // S * S + 1, row, row + 1][
            int(dice.integers(6))])  # fmt: skip
    pairs = [(min(pair), max(pair)) for pair in zip(picks[::2], picks[1::2], strict=True)]
    short = [(low, low + int(dice.integers(1, 3 * S))) for low in picks[:10]]
    return [*pairs, *short, (START_NS - 9 * S, last_ns)]


@pytest.mark.parametrize("how", ["journal", "parts", "closed"])
@pytest.mark.parametrize("seed", [1, 2])
def test_as_plain_loops_over_the_raw_rows(tmp_path: Path, how: str, seed: int):
    """Two channels with nulls, repeated instants and gaps, wherever the span's ends lie."""
    batch = _trace(seed)
    recording = _recorded(tmp_path / "rec", batch, how=how)
    for channel in HOLD_NS:
        for start_ns, end_ns in _spans(batch, seed):
            found = span_statistics(recording, "a", channel, start_ns, end_ns)
            expected = _plain(batch, channel, start_ns, end_ns, recording.end_ns)
            where = f"{channel} from {start_ns - START_NS} to {end_ns - START_NS}"
            assert found.n == expected.n, where
            assert found.duration_s == pytest.approx(expected.duration_s, rel=1e-9, abs=1e-12), (
                where
            )
            if expected.n == 0 and not expected.duration_s:
                assert math.isnan(found.rms), where
                continue
            assert (found.minimum, found.maximum) == (expected.minimum, expected.maximum), where
            if expected.duration_s:
                assert found.mean == pytest.approx(expected.mean, rel=1e-9, abs=1e-9), where
                assert found.rms == pytest.approx(expected.rms, rel=1e-9), where


@pytest.mark.parametrize("how", ["journal", "closed"])
def test_beyond_the_recording_nothing_is_held(tmp_path: Path, how: str):
    """Before its start and from its end on; a span of no length, or turned round, has nothing."""
    batch = _trace(5)
    recording = _recorded(tmp_path / "rec", batch, how=how)
    end_ns = recording.end_ns
    for start, end in (
        (START_NS - 100 * S, START_NS - S),
        (end_ns, end_ns + 100 * S),
        (START_NS + S, START_NS + S),
        (START_NS + 9 * S, START_NS + S),
    ):
        found = span_statistics(recording, "a", "torque_Nm", start, end)
        assert (found.n, found.duration_s) == (0, 0.0)
        assert math.isnan(found.minimum)
        assert math.isnan(found.rms)
    over = span_statistics(recording, "a", "torque_Nm", START_NS, end_ns + 100 * S)
    exact = span_statistics(recording, "a", "torque_Nm", START_NS, end_ns)
    assert over.n == exact.n
    assert over.duration_s == pytest.approx(exact.duration_s, rel=1e-12)
    assert over.rms == pytest.approx(exact.rms, rel=1e-12)


def test_neighbouring_spans_add_up(tmp_path: Path):
    """Cut anywhere: counts, held time and squares of the pieces are those of the whole."""
    batch = _trace(6)
    recording = _recorded(tmp_path / "rec", batch, how="parts")
    edges = [START_NS, *sorted(pair[0] for pair in _spans(batch, 7)), recording.end_ns]
    edges = sorted(max(edge, START_NS) for edge in edges)
    pieces = [
        span_statistics(recording, "a", "torque_Nm", low, high) for low, high in pairwise(edges)
    ]
    whole = span_statistics(recording, "a", "torque_Nm", START_NS, recording.end_ns)
    assert sum(piece.n for piece in pieces) == whole.n
    assert math.fsum(piece.duration_s for piece in pieces) == pytest.approx(
        whole.duration_s, rel=1e-9
    )
    square = math.fsum(piece.duration_s * piece.rms**2 for piece in pieces if piece.duration_s)
    assert math.sqrt(square / whole.duration_s) == pytest.approx(whole.rms, rel=1e-9)


@pytest.mark.parametrize("how", ["journal", "parts", "closed"])
@pytest.mark.parametrize("channel", ["torque_Nm", "temperature_housing_degC"])
def test_the_load_before_many_instants_is_that_before_each(
    tmp_path: Path, how: str, channel: str
) -> None:
    """Whole seconds, the last that was over; close together or apart, in the last or beyond it."""
    batch = _trace(5)
    recording = _recorded(tmp_path / "rec", batch, how=how)
    dice = np.random.default_rng(1)
    span_ns = int(batch.time_ns[-1]) - START_NS
    ends = np.concatenate(
        [
            START_NS + dice.integers(0, span_ns, 60),
            dice.choice(batch.time_ns, 20),
            START_NS + 100 * S + dice.integers(0, S // 50, 40),
            [START_NS - S, START_NS, START_NS + 1, recording.end_ns, recording.end_ns + 3 * S],
        ]
    ).tolist()
    spans_s = (1, 7, 60)
    table = rms_before(recording, "a", channel, ends, spans_s=spans_s)
    for row, end_ns in zip(table.tolist(), ends, strict=True):
        for rms, span_s in zip(row, spans_s, strict=True):
            whole_ns = end_ns // S * S
            begin_ns = max(whole_ns - span_s * S, recording.start_ns)
            alone = span_statistics(recording, "a", channel, begin_ns, whole_ns).rms
            assert rms == pytest.approx(alone, rel=1e-9, nan_ok=True), (end_ns - START_NS, span_s)
