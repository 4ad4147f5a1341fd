"""One frame, as a person types it."""

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.explain.explain import Explained, explain_frame
from logger.joint.explain.typed import TypedFrame, parse_typed_frame

LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "status"
identifier = "0x280 + node"
begins = "01"
length = 3
[[frame.value]]
channel = "temperature_housing_degC"
byte = 1
bits = 8
no_value = [255]
[[frame]]
name = "current"
identifier = "0x280 + node"
begins = "02"
length = 3
[[frame.value]]
channel = "current_A"
byte = 1
bits = 16
scale = 0.01
"""
TORQUE = """
[[frame]]
name = "torque"
identifier = "0x280 + node"
begins = "03"
length = 3
[[frame.value]]
channel = "torque_Nm"
byte = 1
bits = 16
"""


def _explained(bench: Bench, typed: TypedFrame, *, bus: str | None = None) -> Explained:
    """Return the explanation of a frame that is of one joint only."""
    (found,) = explain_frame(bench, typed, bus=bus)
    return found


def _bench(layout: str = LAYOUT, joint: str = ""):
    text = f'[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 3\n{joint}'
    return bench_from_texts(text, {"l": layout}, where="bench.toml")


@pytest.mark.parametrize("payload", ["01 18 00", "011800", "01:18:00", "01,18,00"])
@pytest.mark.parametrize("identifier", ["0x283", "643"])
def test_0x18_is_24_degrees(identifier: str, payload: str):
    """One byte, 1 degC a count: 0x18 reads 24 degC (common practice of drives)."""
    found = _explained(_bench(), parse_typed_frame(identifier, payload))
    assert (found.joint, found.frame) == ("a", "status")
    assert found.readings == {"temperature_housing_degC": 24.0}


def test_no_value_is_none():
    """What the layout calls "no value" is no number."""
    assert _explained(_bench(), parse_typed_frame("0x283", "01FF00")).readings == {
        "temperature_housing_degC": None
    }


def test_only_what_the_frame_says():
    """The derived torque belongs to the current; a torque of another frame does not."""
    derived = _bench(joint='torque = { from = "current", per_ampere = 2.0 }')
    assert _explained(derived, parse_typed_frame("0x283", "02F401")).readings == {
        "current_A": 5.0,
        "torque_Nm": 10.0,
    }
    assert _explained(_bench(LAYOUT + TORQUE), parse_typed_frame("0x283", "02F401")).readings == {
        "current_A": 5.0
    }


@pytest.mark.parametrize(
    ("identifier", "payload", "sentence"),
    [
        ("2C3", "00", "ID: found '2C3', expected an identifier such as 0x2C3 or 707."),
        ("0x800", "00", "0x00000800 00: no joint of the bench has 29-bit identifiers."),
        ("-5", "00", "ID: found -5, expected 0 to 0x7FF, or a 29-bit one up to 0x1FFFFFFF."),
        ("0x283", "0", "BYTES: found '0', expected up to 64 bytes in hex: '41 00 10'."),
        ("0x283", "0x01", "BYTES: found '0x01', expected up to 64 bytes in hex: '41 00 10'."),
        (
            "0x284",
            "011800",
            "0x284 01 18 00: identifier of no joint; the nearest is 0x283, 'status' of a.",
        ),
        (
            "0x283",
            "091800",
            "0x283 09 18 00: leading bytes of no frame; on this identifier are known: 'status' of "
            "a with 01 at its beginning; 'current' of a with 02 at its beginning.",
        ),
        ("0x283", "01", "0x283 01: too short: 'status' of a wants 3 bytes, found 1."),
        ("0x283", "", "0x283 (no bytes): leading bytes of no frame;"),
    ],
)
def test_what_cannot_be_explained(identifier: str, payload: str, sentence: str):
    """The reason in words; never a traceback."""
    with pytest.raises(InputError) as fault:
        _explained(_bench(), parse_typed_frame(identifier, payload))
    assert str(fault.value).startswith(sentence)


BUSY = """
format = 1
name = "l"
[[request]]
name = "ask"
identifier = 0x300
data = "9C"
period_s = 0.1
[[frame]]
name = "motion"
identifier = 0x310
begins = "9C"
length = 8
echo_within_s = 0.002
  [[frame.value]]
  channel = "fault_code"
  byte = 1
  bits = 4
  flags = { 0 = "over-current" }
  [[frame.value]]
  channel = "position_rad"
  byte = 2
  bits = 16
  encoder = { counts = 65536 }
  side = "motor"
  [[frame.value]]
  channel = "torque_Nm"
  byte = 4
  bits = 16
  signed = true
  unit = "per_mille"
"""


def test_every_byte_and_the_way_of_every_value():
    """Each byte with what it belongs to; raw value, conversion in words, result."""
    joint = "gear_ratio = 10\nreversed = true\nzero_rad = 0.5\nrated = { torque = 20 }\n"
    found = _explained(_bench(BUSY, joint), parse_typed_frame("0x310", "9C 01 00 80 9C FF AA 00"))
    assert [(one.index, one.value, one.fields) for one in found.bytes] == [
        (0, 0x9C, ("begins",)),
        (1, 0x01, ("fault_code",)),
        (2, 0x00, ("position_rad",)),
        (3, 0x80, ("position_rad",)),
        (4, 0x9C, ("torque_Nm",)),
        (5, 0xFF, ("torque_Nm",)),
        (6, 0xAA, ()),
        (7, 0x00, ()),
    ]
    assert [(one.name, one.raw, one.hex, one.how, one.text) for one in found.values] == [
        ("fault_code", 1, "0x1", "", "1 (over-current)"),
        (
            "position_rad",
            32768,
            "0x8000",
            "encoder of 65536 counts a turn, / 10 of the gear, - 0.5 rad of its zero, reversed",
            "0.1858407346 rad",
        ),
        ("torque_Nm", -100, "0xFF9C", "per mille of 20 N.m, reversed", "2 N.m"),
    ]
    assert [remark.split(":")[0] for remark in found.remarks] == [
        "Request and answer look alike here, and one frame alone cannot tell",
        "The position is that within one turn of the encoder",
    ]


def test_a_request_is_named():
    """What a joint is sent is no answer, and no mistake."""
    found = _explained(_bench(BUSY, "rated = { torque = 20 }"), parse_typed_frame("0x300", "9C"))
    assert (found.joint, found.frame, found.readings) == ("a", "ask", {})


TWO = """
[[bus]]
name = "left"
interface = "virtual"
channel = "x"
[[bus]]
name = "right"
interface = "virtual"
channel = "y"
[[joint]]
name = "elbow"
bus = "left"
layout = "l"
node = 3
[[joint]]
name = "knee"
bus = "right"
layout = "l"
node = 3
[[joint]]
name = "hip"
bus = "right"
layout = "l"
node = 5
"""


def test_of_several_buses_one_has_to_be_chosen():
    """The same identifier on two buses is of two joints: said, and read as of the one named."""
    bench = bench_from_texts(TWO, {"l": LAYOUT}, where="bench.toml")
    frame = parse_typed_frame("0x283", "01 18 00")
    found = _explained(bench, frame)
    assert (found.joint, found.bus) == ("elbow", "left")
    assert found.remarks == (
        "A bus has to be chosen: on 'right' the same frame is of knee. Explained here as received "
        "on 'left'; --bus right explains it as received on the other.",
    )
    chosen = _explained(bench, frame, bus="right")
    assert (chosen.joint, chosen.bus, chosen.remarks) == ("knee", "right", ())
    assert _explained(bench, parse_typed_frame("0x285", "01 18 00")).remarks == ()
    with pytest.raises(InputError, match=r"nearest is 0x283, 'status' of elbow"):
        _explained(bench, parse_typed_frame("0x285", "01 18 00"), bus="left")
    with pytest.raises(InputError, match=r"--bus: found 'rigth', expected a bus\. Did you mean"):
        _explained(bench, frame, bus="rigth")
