"""A `.blf` log as columns: what python-can's reader gives, message by message, and no less."""

from collections.abc import Iterator
from pathlib import Path

import can
import numpy as np
import pytest
from can.io import blf

from logger.importing.blf_log import read_blf_log
from logger.importing.log_stamps import is_written_by_python_can, stamp_reader
from logger.importing.message_batch import BATCH_MESSAGES, MessageBatch, read_whole_batch
from logger.joint.batch import FrameBatch

START_S = 1_795_000_000.0


def _messages(seed: int, count: int) -> Iterator[can.Message]:
    """Yield messages of all kinds: most of them plain, in runs of some hundred or of a few."""
    dice = np.random.default_rng(seed)
    at_s, left, plain, longest = START_S, 0, True, int(dice.choice([3, 40, 400]))
    for _ in range(count):
        if left == 0:
            plain = not plain or longest == 400
            left = int(dice.integers(1, longest)) if plain else int(dice.integers(1, 4))
        left -= 1
        at_s += float(dice.integers(0, 2_000_000)) * 1e-9
        kind = "plain" if plain else dice.choice(["fd", "error", "remote"])
        extended = bool(dice.integers(2))
        length = int(dice.integers(0, 9))
        yield can.Message(
            timestamp=at_s,
            arbitration_id=int(dice.integers(0, 1 << (29 if extended else 11))),
            is_extended_id=extended,
            is_remote_frame=bool(kind == "remote"),
            is_error_frame=bool(kind == "error"),
            is_fd=bool(kind == "fd"),
            is_rx=bool(dice.integers(4)),
            channel=int(dice.integers(0, 3)),
            dlc=48 if kind == "fd" else length,
            data=dice.bytes(48)
            if kind == "fd"
            else None
            if kind == "remote"
            else dice.bytes(length),
        )


def _written(path: Path, seed: int, count: int, *, level: int, container: int) -> None:
    writer = can.BLFWriter(path, compression_level=level)
    writer.max_container_size = container
    for message in _messages(seed, count):
        writer(message)
    writer.stop()


def _one_by_one(path: Path) -> tuple[FrameBatch, list[object], bool]:
    """Return frames, channels and whether there was a fault, by python-can's reader alone."""
    with path.open("rb") as file:
        has_float_stamps = is_written_by_python_can(file.peek(16))
        reader = can.BLFReader(file)
        stamp_of = stamp_reader(reader, None, has_float_stamps=has_float_stamps)
        columns, fault = read_whole_batch(iter(reader), stamp_of)
    return columns.to_frame_batch(), columns.channels, fault is not None


def _as_columns(path: Path) -> tuple[FrameBatch, list[object], Exception | None]:
    columns, faults = MessageBatch(), []
    with path.open("rb") as file:
        for batch, fault in read_blf_log(file):
            columns.frames += batch.frames
            columns.channels += batch.channels
            faults.append(fault)
    assert not any(faults[:-1]), "a fault ends the reading"
    return columns.to_frame_batch(), columns.channels, faults[-1] if faults else None


def _assert_same(found: FrameBatch, expected: FrameBatch) -> None:
    assert len(found) == len(expected)
    for name in ("time_ns", "identifier", "flags", "length", "data"):
        mine, theirs = getattr(found, name), getattr(expected, name)
        if name == "data":
            width = max(mine.shape[1], theirs.shape[1])
            mine, theirs = (
                np.pad(one, ((0, 0), (0, width - one.shape[1]))) for one in (mine, theirs)
            )
        np.testing.assert_array_equal(mine, theirs, err_msg=name)


@pytest.mark.parametrize("written_by", ["python-can", "another program"])
@pytest.mark.parametrize(
    ("level", "container"), [(0, 900), (6, 128 * 1024)], ids=["small containers", "packed"]
)
def test_columns_are_what_the_messages_are(
    tmp_path: Path, level: int, container: int, written_by: str
):
    """Of any mixture, and where objects go on in the next container."""
    path = tmp_path / "log.blf"
    for seed in range(6):
        _written(path, seed, 1500, level=level, container=container)
        if written_by != "python-can":
            content = bytearray(path.read_bytes())
            content[8:16] = bytes((1, 9, 0, 0, 2, 6, 8, 1))
            path.write_bytes(content)
        expected, channels, _ = _one_by_one(path)
        found, found_channels, fault = _as_columns(path)
        assert fault is None
        _assert_same(found, expected)
        assert found_channels == channels


def test_a_long_log_comes_in_batches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """No batch is much longer than those of other formats, and none is made of messages."""
    path = tmp_path / "log.blf"
    writer = can.BLFWriter(path, compression_level=1)
    for number in range(3 * BATCH_MESSAGES):
        writer(can.Message(timestamp=START_S + number * 1e-4, arbitration_id=7, data=b"\1\2"))
    writer.stop()
    monkeypatch.setattr(blf, "Message", None)
    with path.open("rb") as file:
        sizes = [len(batch) for batch, _ in read_blf_log(file)]
    assert sum(sizes) == 3 * BATCH_MESSAGES
    assert max(sizes) < 1.5 * BATCH_MESSAGES


def test_objects_of_the_later_kind(tmp_path: Path):
    """Other programs write longer objects for the same frames."""
    path = tmp_path / "log.blf"
    _written(path, 1, 1, level=0, container=100_000)
    objects = b"".join(
        blf.OBJ_HEADER_BASE_STRUCT.pack(b"LOBJ", 32, 1, 56, blf.CAN_MESSAGE2)
        + blf.OBJ_HEADER_V1_STRUCT.pack(blf.TIME_ONE_NANS, 0, 0, number * 1000)
        + blf.CAN_MSG_STRUCT.pack(2, number % 2, 3, 0x100 + number, b"\1\2\3\xff\xff\0\0\0")
        + bytes(8)
        for number in range(50)
    )
    container = blf.LOG_CONTAINER_STRUCT.pack(blf.NO_COMPRESSION, len(objects)) + objects
    size = blf.OBJ_HEADER_BASE_STRUCT.size + len(container)
    head = blf.OBJ_HEADER_BASE_STRUCT.pack(b"LOBJ", 16, 1, size, blf.LOG_CONTAINER)
    path.write_bytes(path.read_bytes()[:144] + head + container)
    expected, channels, _ = _one_by_one(path)
    found, found_channels, _ = _as_columns(path)
    _assert_same(found, expected)
    assert found_channels == channels == [1] * 50
    assert found.data[0].tolist() == [1, 2, 3, 0, 0, 0, 0, 0]


def test_a_log_that_was_cut(tmp_path: Path):
    """Wherever it was, all that python-can finds is there, and it is told that there was more."""
    path = tmp_path / "log.blf"
    _written(path, 3, 600, level=0, container=2000)
    content = path.read_bytes()
    for end in range(144, len(content), 1117):
        path.write_bytes(content[:end])
        expected, channels, _ = _one_by_one(path)
        found, found_channels, fault = _as_columns(path)
        _assert_same(found, expected)
        assert found_channels == channels
        assert fault is not None


def test_damage_ends_it_with_a_fault_at_most(tmp_path: Path):
    """Whatever stands in the bytes: it ends, nothing is raised, and times are times."""
    path = tmp_path / "log.blf"
    _written(path, 2, 400, level=0, container=4000)
    content, dice = path.read_bytes(), np.random.default_rng(5)
    for _ in range(150):
        damaged = bytearray(content)
        for place in dice.integers(160, len(content), 6).tolist():
            damaged[place] = int(dice.choice([0, 1, 255, dice.integers(256)]))
        path.write_bytes(damaged)
        found, _, _ = _as_columns(path)
        assert (found.time_ns >= 0).all()
        assert (found.length <= 64).all()


def test_an_object_without_bytes_is_a_fault(tmp_path: Path):
    """One that says that it ends where it begins would be read for ever."""
    path = tmp_path / "log.blf"
    _written(path, 2, 40, level=0, container=100_000)
    content = bytearray(path.read_bytes())
    place = content.index(b"LOBJ", content.index(b"LOBJ") + 4)
    content[place + 8 : place + 12] = bytes(4)
    path.write_bytes(content)
    found, _, fault = _as_columns(path)
    assert len(found) == 0
    assert "an object of 0 bytes" in str(fault)
