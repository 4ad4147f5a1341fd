"""Layouts from bus description files decode as the library that reads the files does."""

import math
import subprocess
from pathlib import Path

import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from cantools.database.errors import Error
from cantools.database.namedsignalvalue import NamedSignalValue
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.batch import EXTENDED, FrameBatch
from logger.joint.bench import bench_from
from logger.joint.decode import DecodeState, decode, plan_for
from logger.joint.layout import layout_from
from logger.layout_from import described, layout_text, read_messages
from tests.command import run

# Name and unit as description files write them, the channel, and its factor to the channel's unit.
POOL = [
    ("SupplyVoltage", "V", "voltage_V", 1.0),
    ("PhaseCurrent", "mA", "current_A", 1e-3),
    ("OutputTorque", "Nm", "torque_Nm", 1.0),
    ("TorqueRef", "N.m", "torque_setpoint_Nm", 1.0),
    ("ActualSpeed", "rpm", "speed_rad_s", 2 * math.pi / 60),
    ("ActualPosition", "deg", "position_rad", math.pi / 180),
    ("WindingTemp", "degC", "temperature_winding_degC", 1.0),
    ("fault_bits", None, "fault_code", 1.0),
]


def _signal(draw, name: str, unit: str | None, *, bytes_: int, mux: int | None) -> Signal:
    big = draw(st.booleans())
    floating = unit is not None and draw(st.sampled_from([False, False, True]))
    length = draw(st.sampled_from([16, 32, 64]) if floating else st.integers(1, 64))
    if unit is None:
        length = min(length, 32)
    start = draw(st.integers(0, 8 * bytes_ - 1))
    scale, offset = (1, 0) if unit is None else draw(
        st.sampled_from([(1, 0), (0.1, 0), (0.01, -40), (-0.5, 3), (2, 0)])
    )  # fmt: skip
    return Signal(
        name,
        start,
        length,
        byte_order="big_endian" if big else "little_endian",
        is_signed=unit is not None and not floating and draw(st.booleans()),
        conversion=BaseConversion.factory(scale=scale, offset=offset, is_float=floating),
        unit=unit,
        multiplexer_ids=None if mux is None else [mux],
        multiplexer_signal=None if mux is None else "kind",
    )


@st.composite
def _messages(draw) -> Message:
    """Draw a message: signals anywhere in 1 to 64 bytes, with or without a multiplexer."""
    bytes_ = draw(st.sampled_from([1, 4, 7, 8, 8, 8, 12, 64]))
    muxed = draw(st.booleans())
    signals: list[Signal] = []
    if muxed:
        bits = draw(st.integers(1, 9))
        big = draw(st.booleans())
        start = draw(st.integers(0, 8 * bytes_ - 1))
        signals.append(
            Signal(
                "kind", start, bits, byte_order="big_endian" if big else "little_endian",
                is_multiplexer=True,
            )
        )  # fmt: skip
    extended = draw(st.booleans())
    number = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))

    def message(held: list[Signal]) -> Message | None:
        try:
            return Message(number, "Status", bytes_, held, is_extended_frame=extended, strict=True)
        except Error:
            return None

    if message(signals) is None:
        signals = []
        muxed = False
    for name, unit, _, _ in draw(st.lists(st.sampled_from(POOL), unique=True, max_size=5)):
        mux = draw(st.integers(0, 1)) if muxed else None
        more = [*signals, _signal(draw, name, unit, bytes_=bytes_, mux=mux)]
        # Where signals meet or reach over the end, the library says so: one less.
        signals = more if message(more) is not None else signals
    made = message(signals)
    assert made is not None
    return made


def test_names_that_the_bits_never_have_are_left_out():
    """Some files name 256 for a byte, or -1 for one without a sign; the layout is sound."""
    choices: dict[int, str | NamedSignalValue] = {-1: "x", 0: "none", 255: "hot", 256: "y"}
    signal = Signal(
        "fault_bits", 0, 8, conversion=BaseConversion.factory(choices=choices, is_float=False)
    )
    message = Message(5, "Status", 1, [signal])
    text = layout_text([message], ["Status"], name="l", source="made.dbc")
    (value,) = layout_from(text, "l.toml").frame[0].value
    assert value.names == {"0": "none", "255": "hot"}


@given(message=_messages(), data=st.data())
def test_random_messages_decode_as_cantools_decodes_them(message: Message, data):
    """1 to 64 bits at any bit, both orders, signed, IEEE, multiplexed, up to 64 bytes, 11 and 29.

    Outside: cantools' own decoding of the same payload, scaled to the channel's unit here.
    """
    payload = data.draw(st.binary(min_size=message.length, max_size=message.length))
    text = layout_text([message], ["Status"], name="l", source="made.dbc")
    bench = bench_from(
        '[bus]\ninterface = "virtual"\nfd = true\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {"l": text},
        where="bench.toml",
    )
    flags = EXTENDED if message.is_extended_frame else 0
    frames = FrameBatch.of([(0, message.frame_id, flags, payload)])
    decoded, _ = decode(plan_for(bench), DecodeState(), frames)
    try:
        expected = message.decode(payload, decode_choices=False)
    except (Error, KeyError):
        # A value of the multiplexer that the description does not know.
        assert len(decoded.readings[0]) == 0
        return
    found = {
        name: values[0]
        for name, values in decoded.readings[0].columns.items()
        if not np.isnan(values[0])
    }
    for name, _, channel, factor in POOL:
        value = expected.get(name)
        if value is None or not math.isfinite(value):
            assert channel not in found
        else:
            assert found[channel] == pytest.approx(value * factor, rel=1e-12, abs=1e-300)


DBC = """
VERSION ""
NS_ :
BS_:
BU_: Joint
BO_ 640 Status: 8 Joint
 SG_ Temp : 0|8@1- (1,0) [-40|215] "degC" Joint
 SG_ MotorCurrent : 15|16@0- (0.01,0) [0|0] "A" Joint
 SG_ State : 24|4@1+ (1,0) [0|0] "" Joint
 SG_ Counter : 28|4@1+ (1,0) [0|0] "" Joint
BO_ 641 Other: 2 Joint
 SG_ Speed : 0|16@1- (0.1,0) [0|0] "rpm" Joint
VAL_ 640 State 0 "off" 1 "on" ;
"""


@pytest.fixture
def described_bus(tmp_path: Path) -> Path:
    """Write a small bus description file."""
    path = tmp_path / "joint.dbc"
    path.write_text(DBC, encoding="utf-8")
    return path


def test_what_is_open_stands_there_as_a_comment(described_bus: Path):
    """A temperature of nobody knows what; a state with its names; nothing is guessed."""
    messages = read_messages(described_bus)
    signals = ["Temp", "MotorCurrent", "State", "Counter"]
    assert described(messages)[0] == ("Status", "0x280", 8, signals)
    text = layout_text(messages, ["Status"], name="joint", source="joint.dbc")
    assert "  # Temp, in degC: a temperature, but of what?" in text
    assert '  # channel = ""\n  # byte = 0\n  # bits = 8\n  # signed = true\n' in text
    current = 'channel = "current_A"\n  byte = 1\n  bits = 16\n  order = "big"\n  signed = true\n'
    assert current in text
    assert '  names = { "0" = "off", "1" = "on" }' in text
    assert "Counter: its unit tells no channel" in text


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no such bus description file."),
        ("hello", "cantools cannot read it as a bus description"),
        ('VERSION ""\n', "found no message in it."),
    ],
)
def test_files_that_describe_nothing(tmp_path: Path, content: str | None, words: str):
    """One sentence with the file's name."""
    path = tmp_path / "x.dbc"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError) as fault:
        read_messages(path)
    assert str(fault.value).startswith(f"{path}: ")
    assert words in str(fault.value)


def test_a_message_that_is_not_there(described_bus: Path):
    """The nearest name is offered."""
    with pytest.raises(InputError, match="Did you mean 'Status'"):
        layout_text(read_messages(described_bus), ["Statu"], name="l", source="joint.dbc")


def _run(*words: str, cwd: Path) -> "subprocess.CompletedProcess[str]":
    return run("layout", "from", *words, cwd=cwd)


def test_from_the_command_line(described_bus: Path):
    """Without a message they are listed; a file is written, and never over another."""
    folder = described_bus.parent
    listed = _run("joint.dbc", cwd=folder)
    assert listed.returncode == 0
    assert "Status" in listed.stdout
    assert "0x281" in listed.stdout
    done = _run("joint.dbc", "--message", "Status", "--message", "Other", cwd=folder)
    assert done.returncode == 0, done.stderr
    text = (folder / "status.toml").read_text("utf-8")
    assert text.count("[[frame]]") == 2
    again = _run("joint.dbc", "--message", "Status", cwd=folder)
    assert again.returncode == 2
    assert again.stderr.strip().endswith("is there already, and stays; name another with --out.")
    assert (folder / "status.toml").read_text("utf-8") == text
