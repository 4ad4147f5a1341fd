"""What a drive says of itself by now: the newest meaning, since when, and what is over."""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from replay.drive_state import read_drive_state
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000
S = 1_000_000_000
CODES = """
format = 1
name = "l"
[[frame]]
name = "status"
identifier = 0x10
length = 2
  [[frame.value]]
  channel = "fault_code"
  byte = 0
  bits = 8
  flags = { 0 = "over-temperature", 2 = "encoder" }
  [[frame.value]]
  channel = "state_code"
  byte = 1
  bits = 8
  names = { "0x07/0x0F" = "moving", 1 = "resting" }
  flags = { 7 = "warning" }
"""
MESSAGES = """
format = 1
name = "l"
[[frame]]
name = "emergency"
identifier = 0x11
length = 2
tells = "each"
event = "fault"
  [[frame.part]]
  name = "code"
  bits = 16
  names = { "0x4000/0xF000" = "temperature", "0x0000/0xFF00" = "gone" }
[[frame]]
name = "heartbeat"
identifier = 0x12
length = 1
  [[frame.part]]
  name = "is"
  bits = 8
  names = { 5 = "operational", 4 = "stopped" }
[[frame]]
name = "heat"
identifier = 0x13
length = 1
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = 0
  bits = 8
"""
Made = Callable[..., Recording]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Give a function that makes a recording of (second, identifier, bytes)."""

    def make(layout: str, *frames: tuple[float, int, bytes]) -> Recording:
        bench = bench_from_texts(
            '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n',
            {"l": layout},
            where="bench.toml",
        )
        rows = [(START_NS + round(at * S), number, 0, data) for at, number, data in frames]
        out = tmp_path / "rec"
        import_frames(
            [FrameBatch.from_rows(rows)],
            bench=bench,
            limits=parse_limits("format = 1\n", "limits.toml"),
            out=out,
            name="drives",
            start_ns=START_NS,
        )
        return Recording.open(out)

    return make


def _newest(recording: Recording) -> Mapping[str, tuple[int, float]]:
    batch = recording.read_readings("a", recording.start_ns, recording.end_ns + 1)
    return {
        channel: (int(batch.time_ns[held[-1]]), float(values[held[-1]]))
        for channel, values in batch.columns.items()
        if len(held := np.flatnonzero(~np.isnan(values)))
    }


def test_codes_tell_state_and_fault_and_since_when(made: Made):
    """A statusword that changes within one meaning stands since that began."""
    recording = made(
        CODES,
        (0, 0x10, b"\x00\x01"),
        (1, 0x10, b"\x00\x07"),
        (2, 0x10, b"\x05\x17"),
        (3, 0x10, b"\x05\x27"),
    )
    newest = _newest(recording)
    state = read_drive_state(recording, "a", "state", newest)
    assert state is not None
    assert (state.text, state.is_active) == ("moving", True)
    assert (state.since_ns, state.reported_ns) == (START_NS + S, START_NS + 3 * S)
    fault = read_drive_state(recording, "a", "fault", newest)
    assert fault is not None
    assert (fault.text, fault.is_active) == ("over-temperature, encoder (0x05)", True)
    assert (fault.since_ns, fault.reported_ns) == (START_NS + 2 * S, START_NS + 3 * S)
    # What was heard before anybody looked is known from the events alone.
    assert read_drive_state(recording, "a", "state", {}).text == "moving"  # type: ignore[union-attr]


def test_a_fault_that_is_over_does_not_stand(made: Made):
    """Nought again: no fault, since that moment; never one: since nobody knows when."""
    recording = made(CODES, (0, 0x10, b"\x01\x01"), (2, 0x10, b"\x00\x01"))
    fault = read_drive_state(recording, "a", "fault", _newest(recording))
    assert fault is not None
    assert (fault.is_active, fault.since_ns) == (False, START_NS + 2 * S)


def test_never_a_fault(made: Made):
    """No event tells since when there is none."""
    recording = made(CODES, (0, 0x10, b"\x00\x01"), (2, 0x10, b"\x00\x01"))
    fault = read_drive_state(recording, "a", "fault", _newest(recording))
    assert fault is not None
    assert (fault.is_active, fault.since_ns) == (False, None)


@pytest.mark.parametrize(("last", "stands"), [(b"\x10\x42", True), (b"\x00\x00", False)])
def test_messages_tell_where_no_code_does(made: Made, last: bytes, stands: bool):  # noqa: FBT001
    """The newest emergency stands until one says that it is gone; a heartbeat tells the state."""
    recording = made(
        MESSAGES,
        (0, 0x12, b"\x05"),
        (1, 0x11, b"\x05\x41"),
        (2, 0x11, last),
        (3, 0x12, b"\x04"),
        (4, 0x13, b"\x20"),
    )
    fault = read_drive_state(recording, "a", "fault", _newest(recording))
    assert fault is not None
    assert (fault.is_active, fault.since_ns) == (stands, START_NS + 2 * S)
    assert fault.text == ("temperature (0x4210)" if stands else "gone (0x0000)")
    state = read_drive_state(recording, "a", "state", _newest(recording))
    assert state is not None
    assert (state.text, state.since_ns) == ("stopped", START_NS + 3 * S)


def test_a_joint_without_either_says_nothing(made: Made):
    """No code, no message: nothing is shown, and nothing is made up."""
    recording = made(MESSAGES, (0, 0x13, b"\x20"))
    assert read_drive_state(recording, "a", "state", _newest(recording)) is None
    assert read_drive_state(recording, "a", "fault", _newest(recording)) is None
