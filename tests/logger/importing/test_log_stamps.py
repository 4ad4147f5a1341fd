"""The stamps of a log are the digits that stand in it, whatever its format."""

from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.importing.import_frames import import_frames
from logger.importing.log_frames import LogFrames
from logger.importing.log_stamps import parse_decimal
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.simulate import scenario
from replay.recording import Recording

S, MS, US = 1_000_000_000, 1_000_000, 1000
START_NS = 1_795_000_000 * S
BENCH = scenario.scenario_bench(channel="can0")
RESOLUTION_NS = {".asc": US, ".blf": 1, ".csv": 1, ".db": US, ".log": US, ".trc": US}
"""How finely each of python-can's writers states a time since the first."""


def _write(path: Path, frames: FrameBatch) -> Path:
    path.unlink(missing_ok=True)
    writer = can.Logger(path)
    for time_ns, identifier, row in zip(
        frames.time_ns.tolist(), frames.identifier.tolist(), frames.data, strict=True
    ):
        writer(
            can.Message(
                timestamp=time_ns / S, arbitration_id=identifier, is_extended_id=False,
                data=bytes(row), channel=0,
            )
        )  # fmt: skip
    writer.stop()
    return path


def _times(path: Path) -> list[int]:
    return FrameBatch.concatenate(list(LogFrames(path=path, bench=BENCH))).time_ns.tolist()


def _frames(time_ns: list[int]) -> FrameBatch:
    return FrameBatch.from_rows([(at, 0x123, 0, bytes(8)) for at in time_ns])


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".log", ".trc"])
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps_us=st.lists(st.integers(0, 90_000_000), min_size=1, max_size=40))
def test_stamps_come_through_every_format(tmp_path: Path, suffix: str, steps_us: list[int]):
    """Microseconds written by python-can are read as they were, to the last digit."""
    written = (START_NS + np.cumsum([0, *steps_us]) * US).tolist()
    assert _times(_write(tmp_path / f"log{suffix}", _frames(written))) == written


def test_a_database_of_floats(tmp_path: Path):
    """What is stored as floats of seconds gives the microseconds that it was made from."""
    written = (START_NS + np.arange(0, 3000, 7) * US).tolist()
    path = tmp_path / "log.db"
    writer = can.Logger(path)
    for at in written:
        writer(can.Message(timestamp=at / S, arbitration_id=1, is_extended_id=False))
    writer.stop()
    with can.LogReader(path) as reader:  # its thread forgets what it has not fetched when stopped
        count = len(list(reader))
    assert count > 0
    assert _times(path) == written[:count]


PULSES = 300


def _pulse_frames() -> FrameBatch:
    """Return readings at 1 kHz: pulses of four, so that the last comes 3 ms after the first."""
    rows = []
    at_ns = START_NS
    for _ in range(PULSES):
        for raw in (200, 200, 200, 200, 0, 0, 0):
            rows.append((at_ns, 0x123, 0, raw.to_bytes(8, "little")))
            at_ns += MS
    return FrameBatch.from_rows(rows)


PULSE_LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "f"
identifier = 0x123
length = 8
period_s = 0.001
[[frame.value]]
channel = "voltage_V"
byte = 0
bits = 16
"""
PULSE_BENCH = '[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n'
PULSE_LIMIT = """
format = 1
[[limit]]
name = "pulse"
kind = "level"
joint = "a"
channel = "voltage_V"
above = 100
drop_off = 50
on_delay_s = 0.003
off_delay_s = 0
severity = "warning"
"""


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".csv", ".log", ".trc"])
def test_every_format_gives_the_same_excursions(tmp_path: Path, suffix: str):
    """A pulse that stands just the on-delay is raised in time, each of them, from any log."""
    bench = bench_from_texts(PULSE_BENCH, {"l": PULSE_LAYOUT}, where="bench")
    frames = _pulse_frames()
    log = LogFrames(path=_write(tmp_path / f"log{suffix}", frames), bench=bench)
    made = import_frames(
        log, bench=bench, limits=parse_limits(PULSE_LIMIT, "limits"), out=tmp_path / "rec",
        name="pulses",
    )  # fmt: skip
    recording = Recording.open(made.path)
    rows = recording.read_readings("a", START_NS, made.end_ns)
    np.testing.assert_array_equal(rows.time_ns, frames.time_ns)
    raised = [event.time_ns for event in recording.read_events() if event.kind == "raised"]
    assert raised == [START_NS + (pulse * 7 + 3) * MS for pulse in range(PULSES)]


@pytest.mark.parametrize(
    ("name", "text", "since_start"),
    [
        ("log.log", "({0}.{1:09d}) can0 123#00\n", False),
        ("log.csv", "{0}.{1:09d},0x123,0,0,0,1,AA==\n", False),
        ("log.asc", "   {2}.{1:09d} 1  123             Rx   d 1 00\n", True),
    ],
)
def test_text_with_nanoseconds(tmp_path: Path, name: str, text: str, since_start: bool):  # noqa: FBT001 - a case
    """Nine digits are nine digits, where a float of seconds has six."""
    heads = {
        "log.csv": "timestamp,arbitration_id,extended,remote,error,dlc,data\n",
        "log.asc": "date Wed Nov 18 11:06:40.250 2026\nbase hex  timestamps absolute\n"
        "internal events logged\n",
    }
    nanos = [1, 999_999_999, 123_456_789, 123_456_790]
    path = tmp_path / name
    path.write_text(
        heads.get(name, "")
        + "".join(text.format(1_795_000_000 + at, nano, at) for at, nano in enumerate(nanos))
    )
    found = _times(path)
    expected = [at * S + nano for at, nano in enumerate(nanos)]
    base = found[0] - expected[0] if since_start else START_NS
    assert [at - base for at in found] == expected
    # The date in a head is of the place where it is read: to its milliseconds.
    assert base % S == (250 * MS if since_start else 0)


@pytest.mark.parametrize("flag", [1, 2])
def test_a_binary_log_of_another_writer(tmp_path: Path, flag: int):
    """Its counts of 10 us or 1 ns are taken as they are: nobody made them of floats."""
    counts = [0, 1, 1234, 99_999, 123_456_789]
    path = tmp_path / "log.blf"
    # Stored without compression, so that the counts can be put in.
    writer = can.BLFWriter(path, compression_level=0)
    for _ in counts:
        writer(can.Message(timestamp=START_NS / S, arbitration_id=1, is_extended_id=False))
    writer.stop()
    content = bytearray(path.read_bytes())
    content[8:16] = bytes((1, 9, 0, 0, 2, 6, 8, 1))  # another application, of another version
    place = content.index(b"LOBJ")
    for count in counts:
        place = content.index(b"LOBJ", place + 4)
        content[place + 16 : place + 20] = flag.to_bytes(4, "little")
        content[place + 24 : place + 32] = count.to_bytes(8, "little")
    path.write_bytes(content)
    unit_ns = {1: 10 * US, 2: 1}[flag]
    assert _times(path) == [START_NS + count * unit_ns for count in counts]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1795000000.123456789", 1_795_000_000_123_456_789),
        (" 12 ", 12 * S),
        ("0.", 0),
        ("1e-9", 1),
        ("-1.5", -1_500_000_000),
        ("1.0000000004", S),
        ("nan", None),
        ("inf", None),
        ("1e999999999", None),
        ("9" * 5000, None),
        ("", None),
        (".", None),
        ("1,5", None),
    ],
)
def test_decimals(text: str, found: int | None):
    """To the nanosecond, and never a number that takes long to make."""
    assert parse_decimal(text) == found


def test_a_stamp_that_is_no_time(tmp_path: Path):
    """Whatever python-can takes as a float costs its own stamp, and nothing else."""
    path = tmp_path / "log.csv"
    stamps = ["1795000000.5", "1795000001.5", "inf", "1e300"]
    path.write_text("head\n" + "".join(f"{at},0x123,0,0,0,1,AA==\n" for at in stamps))
    log = LogFrames(path=path, bench=BENCH)
    assert len(FrameBatch.concatenate(list(log))) == 4
