"""Where a value stands in its frame, and which identifier a node gives."""

import inspect
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import logger.joint.bench.value
from logger.errors import InputError
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import parse_layout, shipped_layout_text, shipped_layouts
from logger.joint.bench.value import Value
from logger.joint.decode.raw_values import raw_values


def _value(**keys: object) -> Value:
    return Value.model_validate({"channel": "voltage_V", **keys})


def _drawn(order: str) -> tuple[dict[int, tuple[int, int]], Value]:
    """Read the module's picture: value bit -> (byte, bit), and the value that it claims to be."""
    lines = inspect.getdoc(logger.joint.bench.value).splitlines()
    bits = next(line.split()[1:] for line in lines if line.lstrip().startswith("bit "))
    row = next(line for line in lines if line.lstrip().startswith(f"{order} "))
    cells = [cell.strip() for cell in row.split("|")[1:-1]]
    assert len(cells) == len(bits) == 16
    places = {
        int(cell[1:]): (1 + number // 8, int(bit))
        for number, (cell, bit) in enumerate(zip(cells, bits, strict=True))
        if cell != "."
    }
    keys = {key: int(number) for key, number in re.findall(r"(byte|bit|bits)=(\d+)", row)}
    return places, _value(order=order, **keys)


@pytest.mark.parametrize("order", ["little", "big"])
def test_the_picture_is_true(order: str):
    """Every bit that the drawing names stands where the drawing has it."""
    drawn, value = _drawn(order)
    assert sorted(drawn) == list(range(value.bits))
    for bit, place in drawn.items():
        assert value.bit_places[bit] == place
        data = np.zeros((1, 3), np.uint8)
        data[0, place[0]] = 1 << place[1]
        assert raw_values(data, value).tolist() == [1 << bit]


@given(st.sampled_from(["little", "big"]), st.integers(1, 64), st.integers(0, 7), st.integers(0, 7))
def test_each_place_carries_its_own_bit(order: str, bits: int, byte: int, bit: int):
    """One bit set at place k reads as 2**k, spans of nine bytes and 64 bits included."""
    value = _value(order=order, bits=bits, byte=byte, bit=bit)
    data = np.zeros((bits, 17), np.uint8)
    for k, (at, place) in enumerate(value.bit_places):
        data[k, at] = 1 << place
    assert raw_values(data, value).view(np.uint64).tolist() == [1 << k for k in range(bits)]


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(("signed", "expected"), [(True, -1), (False, 2**64 - 1)])
def test_sixty_four_bits_over_nine_bytes(order: str, *, signed: bool, expected: int):
    """The longest value at an odd place: all ones is -1 or 2**64 - 1."""
    value = _value(order=order, bits=64, bit=4, byte=0, signed=signed)
    raw = raw_values(np.full((1, 9), 0xFF, np.uint8), value)
    assert (raw if signed else raw.view(np.uint64)).tolist() == [expected]


@pytest.mark.parametrize(
    ("written", "node", "extended", "number"),
    [
        ("0x280", 3, False, 0x280),
        ("0x280 + node", 3, False, 0x283),
        ("0x180+node*4", 3, False, 0x18C),
        ("0x18FF0000 + node * 0x100", 3, True, 0x18FF0300),
        ("640", 3, False, 640),
        ("0640 + node", 3, False, 643),
        (217056256, 0, True, 0x0CF00400),
    ],
)
def test_identifiers_of_a_node(written: str | int, node: int, number: int, *, extended: bool):
    """Base, plus the node, times a step; hexadecimal with 0x, decimal without."""
    assert identifier_for(written, node, extended=extended, where="x") == number


@pytest.mark.parametrize(("extended", "most"), [(False, "0x7FF"), (True, "0x1FFFFFFF")])
def test_an_identifier_that_does_not_fit(most: str, *, extended: bool):
    """11 bits and 29 bits are kept; the way out is named where there is one."""
    with pytest.raises(InputError, match=f"at most {most}") as fault:
        identifier_for("0x10 + node", 0x1FFFFFFF, extended=extended, where="x")
    assert ("extended = true" in str(fault.value)) is not extended


@pytest.mark.parametrize("name", shipped_layouts())
def test_a_shipped_layout_is_sound(name: str):
    """It is read without a word, and is called as its file is."""
    text = shipped_layout_text(name)
    assert text is not None
    assert parse_layout(text, name).name == name
