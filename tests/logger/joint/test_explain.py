"""One frame, as a person types it."""

import pytest

from logger.errors import InputError
from logger.joint.bench import bench_from
from logger.joint.explain import explain

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


def _bench(layout: str = LAYOUT, joint: str = ""):
    text = f'[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 3\n{joint}'
    return bench_from(text, {"l": layout}, where="bench.toml")


@pytest.mark.parametrize("payload", ["01 18 00", "011800", "01:18:00", "01,18,00"])
@pytest.mark.parametrize("identifier", ["0x283", "643"])
def test_0x18_is_24_degrees(identifier: str, payload: str):
    """One byte, 1 degC a count: 0x18 reads 24 degC (common practice of drives)."""
    found = explain(_bench(), identifier, payload)
    assert (found.joint, found.frame) == ("a", "status")
    assert found.readings == {"temperature_housing_degC": 24.0}


def test_no_value_is_none():
    """What the layout calls "no value" is no number."""
    assert explain(_bench(), "0x283", "01FF00").readings == {"temperature_housing_degC": None}


def test_only_what_the_frame_says():
    """The derived torque belongs to the current; a torque of another frame does not."""
    derived = _bench(joint='torque = { from = "current", per_ampere = 2.0 }')
    assert explain(derived, "0x283", "02F401").readings == {"current_A": 5.0, "torque_Nm": 10.0}
    assert explain(_bench(LAYOUT + TORQUE), "0x283", "02F401").readings == {"current_A": 5.0}


@pytest.mark.parametrize(
    ("identifier", "payload", "sentence"),
    [
        ("2C3", "00", "ID: found '2C3', expected an identifier such as 0x2C3 or 707."),
        (
            "0x800",
            "00",
            "ID: found 0x800, expected 0 to 0x7FF. A 29-bit identifier wants --extended.",
        ),
        ("-5", "00", "ID: found -5, expected 0 to 0x7FF."),
        ("0x283", "0", "BYTES: found '0', expected up to 64 bytes in hex: '48 18 1F'."),
        ("0x283", "0x01", "BYTES: found '0x01', expected up to 64 bytes in hex: '48 18 1F'."),
        ("0x284", "011800", "0x284 011800: not decoded: identifier of no joint."),
        ("0x283", "091800", "0x283 091800: not decoded: leading bytes of no frame."),
        ("0x283", "01", "0x283 01: not decoded: too short."),
        ("0x283", "", "0x283 : not decoded: leading bytes of no frame."),
    ],
)
def test_what_cannot_be_explained(identifier: str, payload: str, sentence: str):
    """The reason in words; never a traceback."""
    with pytest.raises(InputError) as fault:
        explain(_bench(), identifier, payload)
    assert str(fault.value).startswith(sentence)
