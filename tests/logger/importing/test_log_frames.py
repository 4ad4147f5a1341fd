"""Logs of every format that python-can writes and reads, and what is wrong with some."""

import gzip
import os
import shutil
from pathlib import Path

import can
import numpy as np
import pytest

from logger.errors import InputError
from logger.importing.log_frames import LogFrames
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from logger.simulate import scenario

BENCH = scenario.scenario_bench(channel="can0")
S = 1_000_000_000
T0 = 1_795_000_000.0
PLAIN = [
    can.Message(
        timestamp=T0 + place * 0.25,
        arbitration_id=0x2C3 if place % 2 else 0x123456,
        is_extended_id=not place % 2,
        data=bytes(range(place % 9)),
        channel=0,
    )
    for place in range(40)
]
FD_FRAME = can.Message(
    timestamp=T0 + 20, arbitration_id=0x55, is_extended_id=False, is_fd=True,
    data=bytes(range(48)), dlc=48, channel=0,
)  # fmt: skip
REMOTE_FRAME = can.Message(
    timestamp=T0 + 21, arbitration_id=0x56, is_extended_id=False, is_remote_frame=True, dlc=4,
    channel=0,
)  # fmt: skip
ERROR_FRAME = can.Message(timestamp=T0 + 22, is_error_frame=True, channel=0, dlc=0)
SENT_FRAME = can.Message(
    timestamp=T0 + 23, arbitration_id=0x57, is_extended_id=False, is_rx=False, data=b"\1",
    channel=0,
)  # fmt: skip


def _written(path: Path, messages: list[can.Message]) -> Path:
    writer = can.Logger(path)
    for message in messages:
        writer(message)
    if path.suffix == ".db":
        # That writer has a thread of its own, which forgets what it has not fetched when stopped.
        writer.stop()
        with can.LogReader(path) as reader:
            assert len(list(reader)) == len(messages)
    else:
        writer.stop()
    return path


def _read(path: Path, **chosen) -> tuple[FrameBatch, LogFrames]:
    log = LogFrames(path=path, bench=BENCH, **chosen)
    return FrameBatch.concatenate(list(log)), log


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".db", ".log", ".trc"])
def test_round_trip(tmp_path: Path, suffix: str):
    """Identifiers of 11 and 29 bits, payloads of every length, times: as they were written."""
    frames, log = _read(_written(tmp_path / f"log{suffix}", PLAIN))
    assert frames.identifier.tolist() == [one.arbitration_id for one in PLAIN]
    assert ((frames.flags & EXTENDED) != 0).tolist() == [one.is_extended_id for one in PLAIN]
    assert not (frames.flags & ~np.uint8(EXTENDED)).any()
    assert [bytes(row[:n]) for row, n in zip(frames.data, frames.length, strict=True)] == [
        bytes(one.data) for one in PLAIN
    ]
    assert not frames.bus.any()
    written = np.array([round(one.timestamp * 1e9) for one in PLAIN])
    # The head of a text log or a table of offsets names its beginning to the millisecond.
    assert np.abs(frames.time_ns - written).max() <= 2_000_000
    assert np.abs(np.diff(frames.time_ns) - np.diff(written)).max() <= 100_000
    assert list(log.notices) == []
    assert log.first_time_ns() == frames.time_ns[0]


@pytest.mark.parametrize(
    ("suffix", "message", "flags", "payload"),
    [
        (".asc", FD_FRAME, FD, bytes(range(48))),
        (".blf", FD_FRAME, FD, bytes(range(48))),
        (".log", FD_FRAME, FD, bytes(range(48))),
        (".asc", REMOTE_FRAME, REMOTE, bytes(4)),
        (".blf", REMOTE_FRAME, REMOTE, bytes(4)),
        (".csv", REMOTE_FRAME, REMOTE, bytes(4)),
        (".db", REMOTE_FRAME, REMOTE, bytes(4)),
        (".log", REMOTE_FRAME, REMOTE, b""),  # that writer does not say how long
        (".asc", ERROR_FRAME, ERROR | EXTENDED, b""),
        (".blf", ERROR_FRAME, ERROR | EXTENDED, b""),
        (".csv", ERROR_FRAME, ERROR | EXTENDED, b""),
        (".db", ERROR_FRAME, ERROR | EXTENDED, b""),
        (".log", ERROR_FRAME, ERROR | EXTENDED, b""),
        (".asc", SENT_FRAME, SENT, b"\1"),
        (".blf", SENT_FRAME, SENT, b"\1"),
        (".log", SENT_FRAME, SENT, b"\1"),
        (".trc", SENT_FRAME, SENT, b"\1"),
    ],
)
def test_frames_of_other_kinds(
    tmp_path: Path, suffix: str, message: can.Message, flags: int, payload: bytes
):
    """CAN FD, remote, error and sent frames come through every format that knows them."""
    frames, _ = _read(_written(tmp_path / f"log{suffix}", [PLAIN[0], message]))
    assert len(frames) == 2
    assert frames.flags[1] & (FD | REMOTE | ERROR | SENT | EXTENDED) == flags
    assert bytes(frames.data[1][: frames.length[1]]) == payload


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".log", ".trc"])
def test_packed_logs(tmp_path: Path, suffix: str):
    """A log packed with gzip is read as the log itself."""
    plain = _written(tmp_path / f"log{suffix}", PLAIN)
    packed = tmp_path / f"log{suffix}.gz"
    with gzip.open(packed, "wb") as file:
        file.write(plain.read_bytes())
    one, other = _read(plain)[0], _read(packed)[0]
    np.testing.assert_array_equal(one.time_ns, other.time_ns)
    np.testing.assert_array_equal(one.data, other.data)


def test_more_than_a_batch(tmp_path: Path):
    """A long log comes in batches; nothing is lost between them, and it is known how far."""
    path = tmp_path / "log.log"
    path.write_text(
        "".join(f"({T0 + place * 1e-4:.6f}) can0 2C3#{place:08X}\n" for place in range(80_000))
    )
    log = LogFrames(path=path, bench=BENCH)
    batches = iter(log)
    assert log.read_bytes == 0
    first = next(batches)
    assert 10_000 < len(first) < 40_000
    assert 0 < log.read_bytes < log.size_bytes
    whole = FrameBatch.concatenate([first, *batches])
    assert whole.data[:, :4].copy().view(">u4")[:, 0].tolist() == list(range(80_000))


def test_times_never_run_backwards(tmp_path: Path):
    """A frame that is late counts as of the one before it; their number and worst are said."""
    path = tmp_path / "log.log"
    times = [0.0, 1.0, 0.9, 0.99, 1.5]
    path.write_text("".join(f"({T0 + at:.6f}) can0 2C3#00\n" for at in times))
    frames, log = _read(path)
    assert ((frames.time_ns - int(T0) * S) / 1e9).tolist() == [0.0, 1.0, 1.0, 1.0, 1.5]
    (said,) = log.notices
    assert said.kind == "note"
    assert "2 frames" in said.text
    assert "100 ms" in said.text


def test_a_clock_that_was_set_back(tmp_path: Path):
    """Time goes on behind a step back of an hour, in this batch and the next; the step is said."""
    path = tmp_path / "log.log"
    before = [T0 + place * 0.01 for place in range(16_000)]
    after = [T0 - 3600 + place * 0.01 for place in range(1000)]
    path.write_text("".join(f"({at:.6f}) can0 2C3#00\n" for at in [*before, *after]))
    frames, log = _read(path)
    moves = np.diff(frames.time_ns)
    assert moves[15_999] == 0
    assert (np.abs(np.delete(moves, 15_999) - 10_000_000) < 1000).all()
    (said,) = log.notices
    assert said.kind == "clock step"
    assert said.time_ns == frames.time_ns[16_000]
    assert "3759.990 s" in said.text


def test_a_log_without_a_date(tmp_path: Path):
    """Placed at the file's own time, which is said; or where it is told, which needs no word."""
    path = tmp_path / "log.log"
    path.write_text("(0.500000) can0 2C3#00\n(2.000000) can0 2C3#00\n")
    os.utime(path, ns=(1_700_000_000 * S, 1_700_000_000 * S))
    frames, log = _read(path)
    assert frames.time_ns.tolist() == [1_700_000_000 * S, 1_700_000_001 * S + S // 2]
    assert "names no date" in log.notices[0].text
    assert log.first_time_ns() == frames.time_ns[0]
    frames, log = _read(path, start_ns=5 * S)
    assert frames.time_ns.tolist() == [5 * S, 6 * S + S // 2]
    assert not log.notices


def test_a_date_in_unknown_words(tmp_path: Path):
    """A head whose date nobody can read does not stop the log: it is as one without a date."""
    path = _written(tmp_path / "log.asc", PLAIN)
    lines = path.read_text().splitlines(keepends=True)
    lines = ["date Lun Kislimu 25 2026\n" if line.startswith("date") else line for line in lines]
    lines = [line for line in lines if "triggerblock" not in line.lower()]
    path.write_text("".join(lines))
    frames, log = _read(path)
    assert len(frames) == len(PLAIN)
    assert "names no date" in log.notices[0].text


def test_several_channels(tmp_path: Path):
    """Each channel of a log is a bus; the places follow their order."""
    path = tmp_path / "log.log"
    path.write_text(f"({T0:.6f}) can1 2C3#01\n({T0:.6f}) can0 2C3#00\n({T0:.6f}) can1 2C3#01\n")
    frames, _ = _read(path)
    assert frames.bus.tolist() == frames.data[:, 0].tolist() == [1, 0, 1]


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("log.txt", b"x", [".txt", ".blf"]),
        ("log.blfs", b"x", ["Did you mean '.blf'"]),
        ("log", b"x", ["expected a log"]),
        ("log.db.gz", b"x", [".db.gz"]),
        ("log.blf", b"no such thing", ["cannot be read as a log of its kind"]),
        ("log.blf", b"", ["cannot be read as a log of its kind"]),
        ("log.db", b"no data base", ["cannot be read as a log of its kind"]),
        ("log.log.gz", b"not packed", ["cannot be read as a log of its kind"]),
        ("log.log", b"", ["holds no frame"]),
        ("log.asc", b"", ["holds no frame"]),
        ("log.csv", b"head\n", ["holds no frame"]),
        ("log.log", b"(1.0) can0 2C3\n", ["cannot be read as a log of its kind"]),
        ("log.log", b"(1.0) can0 2C3#" + b"00" * 80 + b"\n", ["80 bytes"]),
        ("log.csv", b"h\n1.0,0xFFFFFFFFFF,0,0,0,0,\n", ["no CAN frame"]),
    ],
)
def test_what_is_no_log(tmp_path: Path, name: str, content: bytes, words: list[str]):
    """One sentence with the file and what was expected; nothing stays open."""
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError) as refused:
        list(LogFrames(path=path, bench=BENCH))
    for word in [str(path), *words]:
        assert word in str(refused.value)


def test_no_such_log(tmp_path: Path):
    """A path that is not there is not made, whatever its reader would do."""
    with pytest.raises(InputError, match="no such log"):
        LogFrames(path=tmp_path / "log.db", bench=BENCH).first_time_ns()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("tolerant", [False, True])
def test_a_log_that_is_damaged_within(tmp_path: Path, tolerant: bool):  # noqa: FBT001
    """What stands before the damage is told; it is taken only when that was asked for."""
    path = tmp_path / "log.log"
    good = "".join(f"({T0 + place:.6f}) can0 2C3#00\n" for place in range(600))
    path.write_text(good + "(17950\0\0\n" + good)
    log = LogFrames(path=path, bench=BENCH, tolerant=tolerant)
    if not tolerant:
        with pytest.raises(InputError, match=r"beyond its frame 600 \(at .*--tolerant"):
            list(log)
        return
    assert len(FrameBatch.concatenate(list(log))) == 600
    assert "beyond its frame 600" in log.notices[0].text


def test_a_binary_log_that_was_cut(tmp_path: Path):
    """Cut anywhere: read to a prefix with a word, or refused; never a wrong frame."""
    path = _written(tmp_path / "log.blf", PLAIN)
    whole = _read(path)[0]
    content = path.read_bytes()
    for end in range(0, len(content), 37):
        path.write_bytes(content[:end])
        log = LogFrames(path=path, bench=BENCH, tolerant=True)
        try:
            frames = FrameBatch.concatenate(list(log))
        except InputError:
            continue
        assert len(log.notices) == 1
        np.testing.assert_array_equal(frames.time_ns, whole.time_ns[: len(frames)])
        np.testing.assert_array_equal(frames.data, whole.data[: len(frames)])
    shutil.rmtree(tmp_path)
