"""Several buses in one recording: the same identifier on two of them is two joints."""

import time
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
import pytest

from logger.errors import InputError
from logger.joint.batch import ERROR, EXTENDED, FD, REMOTE
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import LimitSet
from logger.recording.record_settings import RecordSettings
from logger.simulate import scenario
from logger.store.layout.events import events_from
from logger.store.layout.schema import frames_from_table
from replay.bus_events import find_outages
from replay.check import check_recording
from replay.recording import Recording
from tests.support.adapter import Adapter
from tests.support.demo_drive import answer_id, health_answer
from tests.support.recorder import Recorder


def _bench(text: str) -> Bench:
    return bench_from_texts(
        text, {"harvest-joint": scenario.scenario_layout_text()}, where="bench.toml"
    )


def _text(*buses: str, joints: str) -> str:
    made = "".join(
        f'[[bus]]\nname = "{bus}"\ninterface = "virtual"\nchannel = "several-{bus}"\n'
        "bitrate = 500_000\n"
        for bus in buses
    )
    return made + joints


def _joint(name: str, bus: str = "", node: int = 3) -> str:
    wired = f'bus = "{bus}"\n' if bus else ""
    return f'[[joint]]\nname = "{name}"\n{wired}layout = "harvest-joint"\nnode = {node}\n'


def test_one_identifier_on_two_buses_is_two_joints(tmp_path: Path):
    """Frames of four buses, sent at once: each joint gets its own, in order, none lost."""
    names = ["a", "b", "c", "d"]
    bench = _bench(_text(*names, joints="".join(_joint(f"joint-{one}", one) for one in names)))
    settings = RecordSettings(
        bench=bench, where="bench.toml", limits=LimitSet(), out=tmp_path / "rec", name="four"
    )
    running = Recorder(settings)
    senders = [can.Bus(interface="virtual", channel=f"several-{one}") for one in names]
    for number in range(300):
        for place, sender in enumerate(senders):
            data = health_answer(20 + 10 * place + number % 10)
            sender.send(can.Message(arbitration_id=answer_id(3), data=data, is_extended_id=False))
        if number % 10 == 0:
            time.sleep(0.01)
    time.sleep(1.2)
    running.end()
    for sender in senders:
        sender.shutdown()
    recording = Recording.open(tmp_path / "rec")
    for place, one in enumerate(names):
        batch = recording.read_readings(f"joint-{one}", 0, 2**62)
        np.testing.assert_array_equal(
            batch.columns["temperature_housing_degC"], 20 + 10 * place + np.arange(300) % 10
        )
    assert check_recording(recording).is_complete
    reader = recording
    frames = frames_from_table(reader.read_rows("frames", start_ns=0, end_ns=2**62))
    assert np.bincount(frames.bus).tolist() == [300] * 4
    assert (np.diff(frames.time_ns) >= 0).all()
    buses = reader.read_rows("buses", start_ns=0, end_ns=2**62)
    assert set(buses["bus"].to_pylist()) == {0, 1, 2, 3}
    assert max(buses["load"].to_pylist()) > 0


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            _text("a", "b", joints=_joint("x")),
            "bench.toml: joint[1].bus: this key is missing; with several buses, expected the name "
            "of one: a, b.",
        ),
        (
            _text("left", "right", joints=_joint("x", "lefd")),
            "bench.toml: joint[1].bus: found 'lefd', expected the name of a bus of this bench. Did "
            "you mean 'left'?",
        ),
        (
            _text("a", "a", joints=_joint("x", "a")),
            "bench.toml: bus[2].name: found 'a' twice, expected one bus of each name. Give each "
            "[[bus]] a name.",
        ),
        (
            _text("a", joints=_joint("x", "a") + _joint("y", "a")),
            "bench.toml: joint 'y' (frame 'motion') and joint 'x' (frame 'motion') both claim",
        ),
    ],
)
def test_buses_that_do_not_fit_are_told(text: str, sentence: str):
    """File, key, found, expected."""
    with pytest.raises(InputError) as told:
        _bench(text)
    assert sentence in str(told.value)


FD_LAYOUT = """
format = 1
name = "long"

[[frame]]
name = "status"
identifier = "0x18FF0000 + node"
extended = true
length = 48

[[frame.value]]
channel = "current_A"
byte = 40
bits = 16
signed = true
scale = 0.01
"""


def test_fd_and_29_bits_and_what_is_no_data_frame(tmp_path: Path):
    """A value beyond the eighth byte is decoded; error and remote frames are stored and counted."""
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\nchannel = "long"\nfd = true\n'
        '[[joint]]\nname = "a"\nlayout = "long"\nnode = 3\n',
        {"long": FD_LAYOUT},
        where="bench.toml",
    )
    settings = RecordSettings(
        bench=bench, where="bench.toml", limits=LimitSet(), out=tmp_path / "rec", name="long"
    )
    running = Recorder(settings)
    with can.Bus(interface="virtual", channel="long", fd=True) as other:
        for counts in (100, -250):
            data = bytes(40) + counts.to_bytes(2, "little", signed=True) + bytes(6)
            other.send(can.Message(arbitration_id=0x18FF0003, is_fd=True, data=data))
        other.send(can.Message(arbitration_id=0x18FF0003, is_remote_frame=True, dlc=8))
        other.send(can.Message(arbitration_id=0x20, is_error_frame=True, data=bytes(8)))
        time.sleep(1.3)
    running.end()
    recording = Recording.open(tmp_path / "rec")
    assert recording.read_readings("a", 0, 2**62).columns["current_A"].tolist() == [1.0, -2.5]
    reader = recording
    frames = frames_from_table(reader.read_rows("frames", start_ns=0, end_ns=2**62))
    assert frames.length.tolist() == [48, 48, 8, 8]
    assert frames.flags.tolist() == [
        EXTENDED | FD,
        EXTENDED | FD,
        EXTENDED | REMOTE,
        EXTENDED | ERROR,
    ]
    buses = reader.read_rows("buses", start_ns=0, end_ns=2**62)
    assert sum(buses["error_frames"].to_pylist()) == 1
    assert sum(buses["remote_frames"].to_pylist()) == 1
    assert recording.latest_health().undecoded == 2


def test_a_bus_that_goes_and_comes_back_is_named_in_its_events(
    tmp_path: Path, until: Callable[[Callable[[], object], str], None]
):
    """The second of two: its place stands in a column, and what is read needs no sentence."""
    line = tmp_path / "line"
    bench = _bench(
        '[[bus]]\nname = "left"\ninterface = "virtual"\nchannel = "several-left"\n'
        f'[[bus]]\nname = "right"\ninterface = "slcan"\nchannel = "{line}"\nbitrate = 500_000\n'
        + _joint("a", "left")
        + _joint("b", "right")
    )
    settings = RecordSettings(
        bench=bench, where="bench.toml", limits=LimitSet(), out=tmp_path / "rec", name="two"
    )

    def told() -> list[tuple[str, int | None]]:
        events = Recording.open(tmp_path / "rec").read_events()
        return [(one.kind, one.bus) for one in events if one.kind.startswith("bus ")]

    with Adapter(line):
        running = Recorder(settings)
        time.sleep(0.3)
    until(lambda: ("bus lost", 1) in told(), "the bus is said to be lost")
    with Adapter(line):
        until(lambda: ("bus back", 1) in told(), "it is said to be back")
        running.end()
    reader = Recording.open(tmp_path / "rec")
    table = reader.read_rows("events", start_ns=0, end_ns=2**62)
    assert repr(list(reader.read_events())) == repr(events_from(table))
    assert [
        (one.bus, one.end_ns is None) for one in find_outages(Recording.open(tmp_path / "rec"))
    ] == [(1, False)]
