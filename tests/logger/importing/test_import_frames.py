"""Frames from elsewhere: a recording when it is whole, else nothing."""

import threading
from collections import deque
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import InputError, OutsideFault
from logger.importing.import_frames import ImportNotice, import_frames
from logger.joint.batch import FrameBatch
from logger.limits.limit import LimitSet, parse_limits
from logger.simulate import scenario
from logger.simulate.offline import simulate_frames
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
BENCH = scenario.scenario_bench(channel="x")


def _made(out: Path, batches, **chosen):
    return import_frames(batches, bench=BENCH, limits=LimitSet(), out=out, name="t", **chosen)


def _batches() -> Iterator[FrameBatch]:
    return simulate_frames(hours=0.05, rate_Hz=50.0, seed=1, start_ns=START_NS)


def test_its_span_is_that_of_its_frames(tmp_path: Path):
    """Without a stated span it begins with the first frame and ends just after the last."""
    made = _made(tmp_path / "rec", _batches())
    whole = FrameBatch.concatenate(list(_batches()))
    recording = Recording.open(tmp_path / "rec")
    assert recording.start_ns == made.start_ns == whole.time_ns[0]
    assert recording.end_ns == made.end_ns == whole.time_ns[-1] + 1
    assert recording.row_count("frames") == made.frames == len(whole)
    assert {joint: recording.reading_count(joint) for joint in recording.joints} == made.readings
    assert made.undecoded == 0
    assert not recording.describe_missing()


def test_what_is_said_becomes_events(tmp_path: Path):
    """A first note, and what was said of the frames, with their times; and the end."""
    said: deque[ImportNotice] = deque()

    def saying() -> Iterator[FrameBatch]:
        for batch in _batches():
            said.append(ImportNotice(kind="note", time_ns=int(batch.time_ns[0]), text="oh"))
            yield batch
        said.append(ImportNotice(kind="clock step", time_ns=START_NS, text="late"))

    made = _made(tmp_path / "rec", saying(), pending_notices=said, note="first")
    events = Recording.open(tmp_path / "rec").read_events()
    assert [event.kind for event in events][:2] == ["started", "note"]
    assert [event.text for event in events if event.kind == "note"][:2] == ["first", "oh"]
    assert [event.kind for event in events][-2:] == ["clock step", "ended"]
    assert made.notices[-1].text == "late"
    assert [event.sequence for event in events] == list(range(len(events)))


def test_stopped_it_leaves_nothing(tmp_path: Path):
    """A simulated test that is interrupted ends in one sentence, and leaves no file."""
    stop = threading.Event()
    seen: list[int] = []

    def progress(time_ns: int) -> None:
        seen.append(time_ns)
        if len(seen) == 3:
            stop.set()

    with pytest.raises(OutsideFault, match="stopped before its end; nothing was left behind"):
        import_frames(
            simulate_frames(hours=10, rate_Hz=20.0, seed=1, start_ns=START_NS),
            bench=scenario.scenario_bench(channel="x", rate_Hz=20.0),
            limits=parse_limits(scenario.scenario_limits_text(), "limits.toml"),
            out=tmp_path / "rec",
            name="t",
            start_ns=START_NS,
            end_ns=START_NS + 36_000 * 10**9,
            simulated=True,
            progress=progress,
            stop=stop,
        )
    assert len(seen) == 3
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), InputError("torn"), ZeroDivisionError()])
def test_a_fault_leaves_nothing(tmp_path: Path, fault: BaseException):
    """Wherever it comes from, it comes out, and no file stays."""

    def broken() -> Iterator[FrameBatch]:
        yield next(_batches())
        raise fault

    expected = OutsideFault if isinstance(fault, KeyboardInterrupt) else type(fault)
    with pytest.raises(expected):
        _made(tmp_path / "rec", broken())
    assert list(tmp_path.iterdir()) == []


def test_no_frame_and_no_span(tmp_path: Path):
    """Nothing to go by is refused; a stated span without a frame is an empty recording."""
    with pytest.raises(InputError, match="no frame"):
        _made(tmp_path / "rec", [])
    made = _made(tmp_path / "rec", [], start_ns=START_NS, end_ns=START_NS + 5)
    assert made.frames == 0
    assert Recording.open(tmp_path / "rec").end_ns == START_NS + 5
