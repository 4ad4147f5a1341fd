"""Flags: which bit or state was on, how often and for how long, against a plain loop over rows."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import replay.flags as flags_module
from logger.arrays import TIME_MAX_NS
from logger.event_kind import EventKind
from logger.importing.import_frames import import_frames
from logger.importing.tables.import_table import import_table, table_bench, value_table
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.store.layout.events import Event
from logger.store.tools.cut import copy_span
from replay.code_courses import CodeCourses, CodeSource
from replay.flags import MAX_FLAGS, OTHER_FLAGS, Flag, count_flag, flag_bins, held_spans, read_flags
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
NO_LIMITS = parse_limits("format = 1\n", "limits.toml")
LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "status"
identifier = 0x10
length = 2
hold_s = 0.3
  [[frame.value]]
  channel = "fault_code"
  byte = 0
  bits = 8
  flags = { 0 = "over-temperature", 2 = "current limited" }
  [[frame.value]]
  channel = "state_code"
  byte = 1
  bits = 8
  names = { 1 = "resting", 2 = "moving" }
[[frame]]
name = "emergency"
identifier = 0x11
length = 1
tells = "each"
event = "fault"
  [[frame.part]]
  name = "code"
  bits = 8
  names = { 0 = "gone", 7 = "encoder" }
"""
FAULTS = {0: "over-temperature", 2: "current limited", 5: "bit 5"}


def _record(out: Path, rows: list[tuple[float, int, bytes]], layout: str = LAYOUT) -> Recording:
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {"l": layout},
        where="bench.toml",
    )
    frames = [(START_NS + round(at * S), number, 0, data) for at, number, data in rows]
    import_frames(
        [FrameBatch.from_rows(frames)], bench=bench, limits=NO_LIMITS, out=out, name="flags",
        start_ns=START_NS,
    )  # fmt: skip
    return Recording.open(out)


def _flags(recording: Recording) -> dict[str, Flag]:
    return {flag.name: flag for flag in read_flags(recording, "a")}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_times_and_share_are_those_of_the_rows(tmp_path: Path, seed: int):
    """Onsets and the time that each bit and state was on, whatever gaps there are."""
    rng = np.random.default_rng(seed)
    at_s = np.cumsum(rng.choice([0.1, 0.1, 0.1, 0.2, 1.5], 300)).round(3)
    faults = rng.choice([0, 0, 1, 4, 5, 32], len(at_s)).repeat(2)[: len(at_s)]
    states = rng.choice([1, 2], len(at_s)).repeat(3)[: len(at_s)]
    rows = [
        (float(at), 0x10, bytes([fault, state]))
        for at, fault, state in zip(at_s, faults, states, strict=True)
    ]
    recording = _record(tmp_path / "rec", rows)
    flags, held = _flags(recording), held_spans(recording, "a")
    begin_s, end_s = 3.05, 31.05
    wanted = {name: [0, 0.0] for name in [*FAULTS.values(), "resting", "moving"]}
    reported_s = 0.0
    before: set[str] = set()
    for (at, then), fault, state in zip(pairwise(at_s), faults, states, strict=False):
        # A value holds for 0.3 s, the gap limit of these frames.
        lasts = max(0.0, min(then, at + 0.3, end_s) - max(at, begin_s))
        on = {name for bit, name in FAULTS.items() if fault >> bit & 1}
        on.add({1: "resting", 2: "moving"}[state])
        reported_s += lasts
        for name in on:
            wanted[name][1] += lasts
            wanted[name][0] += name not in before and begin_s <= at < end_s
        before = on
    begin_ns, end_ns = (START_NS + round(at * S) for at in (begin_s, end_s))
    for name, (count, on_s) in wanted.items():
        figures = count_flag(flags[name], held, begin_ns, end_ns)
        assert (figures.count, figures.share) == (count, pytest.approx(on_s / reported_s)), name


@pytest.mark.parametrize("most_rows", [flags_module.MAX_ROWS, 100])
def test_what_no_event_tells_of_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_rows: int
):
    """Of a drive that chatters ten times a second the recorder holds most events back."""
    monkeypatch.setattr(flags_module, "MAX_ROWS", most_rows)
    on = np.arange(1200) % 4 < 1
    on[500:700] = False
    rows = [(at / 20, 0x10, bytes([4 * bit, 1])) for at, bit in enumerate(on.tolist())]
    recording = _record(tmp_path / "rec", rows)
    assert len(recording.read_events()) < 200
    flag = _flags(recording)["current limited"]
    held = held_spans(recording, "a")
    bins = flag_bins(flag, held, START_NS + 5 * S * np.arange(12, dtype=np.int64))
    wanted = on[:1100].reshape(11, 100).mean(axis=1)
    assert bins.on_ns / bins.held_ns == pytest.approx(wanted, abs=0.04)
    assert flag.is_counted is (most_rows > 100)
    if flag.is_counted:
        assert bins.count == 225


TIMES = st.lists(st.integers(0, 1000), min_size=2, max_size=20, unique=True).map(sorted)


def _spans(times: list[int]) -> tuple[np.ndarray, np.ndarray]:
    pairs = np.array(times[: len(times) // 2 * 2], np.int64).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


@given(TIMES, TIMES, TIMES)
def test_bins_add_up(on: list[int], held: list[int], edges: list[int]):
    """As they close on a live page they give what one reading of all of them gives."""
    begins, ends = _spans(on)
    ends = np.append(ends[:-1], np.int64(TIME_MAX_NS))
    flag = Flag(
        joint="a", quantity="fault", channel="fault_code", name="x", on_ns=begins, off_ns=ends
    )
    reported = _spans(held)
    bins = flag_bins(flag, reported, np.array(edges, np.int64))
    whole = count_flag(flag, reported, edges[0], edges[-1])
    assert bins.count == whole.count
    assert int(bins.on_ns.sum()) == int(whole.on_ns.sum())
    assert int(bins.held_ns.sum()) == int(whole.held_ns.sum())
    assert (bins.on_ns <= bins.held_ns).all()
    plain = {
        at
        for low, high in zip(begins.tolist(), ends.tolist(), strict=True)
        for at in range(low, min(high, 1001))
    } & {at for low, high in zip(*(one.tolist() for one in reported), strict=True)
         for at in range(low, high)}  # fmt: skip
    for (low, high), on_ns in zip(pairwise(edges), bins.on_ns.tolist(), strict=True):
        assert on_ns == len(plain & set(range(low, high)))


@given(st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 9)), max_size=30), st.data())
def test_events_are_folded_in_any_chunking(codes: list[tuple[str, int]], data: st.DataObject):
    """What a live recording adds is folded to what reading all of it gives."""
    events = tuple(
        Event(
            sequence=number, time_ns=number, kind=EventKind.FAULT, joint=joint,
            channel="fault_code", value=float(code),
        )
        for number, (joint, code) in enumerate(codes)
    )  # fmt: skip
    growing = CodeCourses()
    for cut in sorted(data.draw(st.lists(st.integers(0, len(events)), max_size=4))):
        growing.fold_events(events[:cut])
    found = growing.fold_events(events)
    assert {source.joint for source in found} == {joint for joint, _ in codes}
    for source, course in found.items():
        assert course.code.tolist() == [code for joint, code in codes if joint == source.joint]
    again = growing.fold_events(events[:1] + events[2:])
    assert sum(len(course.code) for course in again.values()) == len(events[:1] + events[2:])


def test_messages_are_counted_and_have_no_length(tmp_path: Path):
    """An emergency says that something is wrong, and nobody knows until when."""
    rows = [(1.0, 0x11, b"\x07"), (2.0, 0x11, b"\x07"), (2.5, 0x11, b"\x00"), (4.0, 0x11, b"\x07")]
    recording = _record(tmp_path / "rec", [(0.0, 0x10, b"\x00\x01"), *rows])
    flag = _flags(recording)["encoder"]
    assert not flag.lasts
    figures = count_flag(flag, held_spans(recording, "a"), START_NS, START_NS + 4 * S)
    assert (figures.count, int(figures.on_ns.sum())) == (2, 0)
    assert "gone" not in _flags(recording)


@pytest.mark.parametrize("count", [15, 40])
def test_messages_that_were_held_back_are_not_counted_as_if_they_were_all(
    tmp_path: Path, count: int
):
    """Of more than twenty within ten seconds no event tells: it came at least so often."""
    rows = [(1.0 + at / 10, 0x11, b"\x07") for at in range(count)]
    recording = _record(tmp_path / "rec", [(0.0, 0x10, b"\x00\x01"), *rows])
    flag = _flags(recording)["encoder"]
    figures = count_flag(flag, held_spans(recording, "a"), START_NS, START_NS + 9 * S)
    assert flag.is_least is (count > 20)
    assert (figures.count < count) is flag.is_least


def test_a_cut_begins_with_the_flags_that_were_on(tmp_path: Path):
    """The event that told of them lies before it."""
    rows = [(at / 10, 0x10, bytes([4 if at < 80 else 0, 1])) for at in range(100)]
    whole = _record(tmp_path / "rec", rows)
    copy_span(whole.path, out=tmp_path / "cut", start_ns=START_NS + 5 * S, end_ns=START_NS + 9 * S)
    cut = Recording.open(tmp_path / "cut")
    figures = count_flag(
        _flags(cut)["current limited"], held_spans(cut, "a"), cut.start_ns, cut.end_ns
    )
    assert figures.share == pytest.approx(0.75, abs=0.03)


def test_codes_without_words_are_named_by_themselves_and_bounded(tmp_path: Path):
    """Of hundreds of codes a few have a flag of their own; the others share one."""
    plain = LAYOUT.replace('flags = { 0 = "over-temperature", 2 = "current limited" }', "")
    rows = [(at / 10, 0x10, bytes([at % 100, 1])) for at in range(300)]
    flags = [
        flag for flag in read_flags(_record(tmp_path / "rec", rows, plain), "a")
        if flag.quantity == "fault"
    ]  # fmt: skip
    assert len(flags) == MAX_FLAGS
    assert [flags[0].name, flags[-1].name] == ["fault code 0x01", OTHER_FLAGS]


def test_codes_of_a_table_are_read_from_its_rows(tmp_path: Path):
    """There is no event of them; the words are the numbers."""
    table = tmp_path / "arm.csv"
    rows = "".join(f"{1_795_000_000 + at},{3 if at % 10 < 4 else 2}\n" for at in range(600))
    table.write_text(f"t,mode\n{rows}", encoding="utf-8")
    bench = table_bench("", {"time": ["t"]}, {"a": {"state_code": "mode"}}, "arm.csv")
    import_table(
        value_table(bench, table), bench=bench, limits=NO_LIMITS,
        out=lambda _first_ns: tmp_path / "arm", name="arm",
    )  # fmt: skip
    recording = Recording.open(tmp_path / "arm")
    flag = _flags(recording)["state 3"]
    figures = count_flag(flag, held_spans(recording, "a"), recording.start_ns, recording.end_ns)
    assert (figures.count, figures.share) == (60, pytest.approx(0.4, abs=0.01))
    assert recording.read_code_courses().get(CodeSource(joint="a", channel="state_code")) is None
