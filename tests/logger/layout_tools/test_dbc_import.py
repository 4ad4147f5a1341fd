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
from logger.joint.bench.bench import bench_from_texts
from logger.joint.bench.layout import parse_layout
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.layout_tools.dbc_import import describe_messages, layout_file_text, read_messages
from tests.support.command import run

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


def _signal(
    draw, name: str, unit: str | None, *, bytes_: int, mux: tuple[str, int] | None
) -> Signal:
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
        multiplexer_ids=None if mux is None else [mux[1]],
        multiplexer_signal=None if mux is None else mux[0],
    )


@st.composite
def _messages(draw) -> Message:
    """Draw a message: signals anywhere in 1 to 64 bytes, with no, one or two multiplexers."""
    bytes_ = draw(st.sampled_from([1, 4, 7, 8, 8, 8, 12, 64]))
    extended = draw(st.booleans())
    number = draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))

    def message(held: list[Signal]) -> Message | None:
        try:
            return Message(number, "Status", bytes_, held, is_extended_frame=extended, strict=True)
        except Error:
            return None

    signals: list[Signal] = []
    muxes: list[str] = []
    for mux in ["kind", "page"][: draw(st.integers(0, 2))]:
        bits = draw(st.integers(1, 9))
        big = draw(st.booleans())
        start = draw(st.integers(0, 8 * bytes_ - 1))
        more = Signal(
            mux, start, bits, byte_order="big_endian" if big else "little_endian",
            is_multiplexer=True,
        )  # fmt: skip
        if message([*signals, more]) is not None:
            signals, muxes = [*signals, more], [*muxes, mux]
    for name, unit, _, _ in draw(st.lists(st.sampled_from(POOL), unique=True, max_size=5)):
        chosen_by = draw(st.sampled_from([None, *muxes]))
        mux = None if chosen_by is None else (chosen_by, draw(st.integers(0, 1)))
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
    text = layout_file_text([message], ["Status"], name="l", source="made.dbc")
    (value,) = parse_layout(text, "l.toml").frame[0].value
    assert value.names == {"0": "none", "255": "hot"}


@given(message=_messages(), data=st.data())
def test_random_messages_decode_as_cantools_decodes_them(message: Message, data):
    """1 to 64 bits at any bit, both orders, signed, IEEE, multiplexed, up to 64 bytes, 11 and 29.

    Outside: cantools' own decoding of the same payload, scaled to the channel's unit here.
    """
    payload = data.draw(st.binary(min_size=message.length, max_size=message.length))
    text = layout_file_text([message], ["Status"], name="l", source="made.dbc")
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\nfd = true\n[[joint]]\nname = "a"\nlayout = "l"\n',
        {"l": text},
        where="bench.toml",
    )
    flags = EXTENDED if message.is_extended_frame else 0
    frames = FrameBatch.from_rows([(0, message.frame_id, flags, payload)])
    decoded, _ = decode(decode_plan(bench), DecodeState(), frames)
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
    assert describe_messages(messages)[0] == ("Status", "0x280", 8, signals)
    text = layout_file_text(messages, ["Status"], name="joint", source="joint.dbc")
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


MORE = """
VERSION ""
NS_ :
BS_:
BU_: Joint
BO_ 640 Two: 8 Joint
 SG_ KindA M : 0|4@1+ (1,0) [0|0] "" Joint
 SG_ KindB M : 4|4@1+ (1,0) [0|0] "" Joint
 SG_ WindingTemp m0 : 24|8@1- (1,0) [0|0] "degC" Joint
 SG_ Volt m1 : 32|16@1+ (0.1,0) [0|0] "V" Joint
BO_ 641 Odd: 8 Joint
 SG_ HousingTemp : 0|8@1+ (1,-40) [0|0] "degC" Joint
 SG_ PhaseCurrent : 4|8@1+ (1,0) [0|0] "A" Joint
 SG_ Torque : 16|16@1+ (0,0) [0|0] "Nm" Joint
 SG_ Volt : 60|8@1+ (1,0) [0|0] "V" Joint
 SG_ State : 8|8@1+ (1,0) [0|0] "" Joint
BO_ 642 Wide: 64 Joint
 SG_ Volt : 0|70@1+ (1,0) [0|0] "V" Joint
BO_ 643 Many: 8 Joint
 SG_ KindA M : 0|8@1+ (1,0) [0|0] "" Joint
 SG_ KindB M : 8|8@1+ (1,0) [0|0] "" Joint
 SG_ Speed m0 : 16|8@1+ (1,0) [0|0] "rpm" Joint
 SG_ Volt m0 : 24|8@1+ (1,0) [0|0] "V" Joint
SG_MUL_VAL_ 640 WindingTemp KindA 0-0;
SG_MUL_VAL_ 640 Volt KindB 1-2;
SG_MUL_VAL_ 643 Speed KindA 0-19;
SG_MUL_VAL_ 643 Volt KindB 0-19;
VAL_ 641 HousingTemp 255 "not available" ;
VAL_ 641 State 0 "" 1 "on" ;
"""


@pytest.fixture
def odd_bus(tmp_path: Path) -> Path:
    """Write a bus description of what not every value can be."""
    path = tmp_path / "odd.dbc"
    path.write_text(MORE, encoding="utf-8")
    return path


def test_two_multiplexers_side_by_side_lose_no_signal(odd_bus: Path):
    """Each value of one goes with each of the other."""
    text = layout_file_text(read_messages(odd_bus), ["Two"], name="l", source="odd.dbc")
    frames = parse_layout(text, "l.toml").frame
    assert [frame.name for frame in frames] == ["Two KindA=0 KindB=1", "Two KindA=0 KindB=2"]
    for frame in frames:
        assert [value.channel for value in frame.value] == ["temperature_winding_degC", "voltage_V"]
    with pytest.raises(InputError, match=r"'Many' make 400 kinds of frame or more.*at most 256"):
        layout_file_text(read_messages(odd_bus), ["Many"], name="l", source="odd.dbc")


def test_what_cannot_be_a_value_is_a_comment_and_not_the_end(odd_bus: Path):
    """Too long, on others' bits, beyond the frame, of no scale: the rest is written."""
    text = layout_file_text(
        read_messages(odd_bus), ["Odd", "Wide", "Odd"], name="l", source="odd.dbc"
    )
    odd, wide = parse_layout(text, "l.toml").frame
    assert [value.channel for value in odd.value] == ["temperature_housing_degC", "state_code"]
    assert wide.value == ()
    for reason in (
        "PhaseCurrent, in A: not as current_A, since it overlaps bits of HousingTemp",
        "Torque, in Nm: not as torque_Nm, since its scale is 0",
        "Volt, in V: not as voltage_V, since it reaches beyond the 8 bytes of the frame",
        "Volt, in V: not as voltage_V, since 70 bits, and a value has at most 64",
    ):
        assert f"  # {reason}" in text
    assert odd.value[1].names == {"1": "on"}


def test_names_of_numbers_are_asked_about(odd_bus: Path):
    """255 that is called "not available" may be no value: said, not guessed."""
    text = layout_file_text(read_messages(odd_bus), ["Odd"], name="l", source="odd.dbc")
    assert '  # Some raw values have names: 255 is "not available". Which mean: no value?' in text


@given(
    word=st.text(min_size=1, max_size=8).filter(
        lambda text: not any("\ud800" <= one <= "\udfff" for one in text)
    ),
    unit=st.text(st.characters(max_codepoint=0x2FF), max_size=6),
)
def test_whatever_words_stand_in_the_file(word: str, unit: str):
    """Quotes, ends of lines, control characters, signs beyond 16 bits: the layout reads back."""
    signal = Signal(
        "State",
        0,
        8,
        unit=unit,
        conversion=BaseConversion.factory(choices={1: NamedSignalValue(1, word)}),
    )
    text = layout_file_text([Message(1, "M", 1, [signal])], ["M"], name="l", source=f"{unit}.dbc")

    def signs(text: str) -> list[str]:
        return [
            one
            for one in text
            if not (one.isspace() or "\x00" <= one <= "\x1f" or "\x7f" <= one <= "\x9f")
        ]

    for value in parse_layout(text, "l.toml").frame[0].value:
        named = "".join(value.names.values()) if value.channel == "state_code" else word
        assert signs(named) == signs(word)


def test_a_message_that_is_not_there(described_bus: Path):
    """The nearest name is offered."""
    with pytest.raises(InputError, match="Did you mean 'Status'"):
        layout_file_text(read_messages(described_bus), ["Statu"], name="l", source="joint.dbc")


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
    assert again.stderr.strip().endswith(
        "this file exists and is not overwritten; name another with --out."
    )
    assert (folder / "status.toml").read_text("utf-8") == text
    nowhere = _run("joint.dbc", "--message", "Status", "--out", "nowhere/x.toml", cwd=folder)
    assert nowhere.returncode == 2
    assert "nowhere/x.toml: cannot be written" in nowhere.stderr
    assert "Traceback" not in nowhere.stderr
