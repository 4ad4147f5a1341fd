"""Checksums and counters of a layout that cannot be are refused, with the key and what is wrong."""

import pytest

from logger.errors import InputError
from tests.support.one_joint import one_joint_bench

CRC = 'method = "crc8", polynomial = 0x1D'


def _refusal(keys: str) -> str:
    layout = f"""
[[frame]]
name = "state"
identifier = 0x10
length = 4
begins = "41"
{keys}
[[frame.value]]
channel = "voltage_V"
byte = 1
bits = 8
"""
    with pytest.raises(InputError) as refused:
        one_joint_bench(layout)
    return str(refused.value)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (f"checksum = {{ byte = 4, {CRC} }}", "checksum: reaches byte 4"),
        (f"checksum = {{ byte = 0, {CRC} }}", "checksum: byte 0 bit 0 is already taken by begins"),
        (f"checksum = {{ byte = 1, {CRC} }}", "voltage_V: byte 1 bit 0 is already taken by check"),
        (f"checksum = {{ byte = 3, {CRC}, covers = [1, 4] }}", "checksum.covers: found [1, 4]"),
        (f"checksum = {{ byte = 3, {CRC}, covers = [2, 1] }}", "the first byte, then the last"),
        (f"checksum = {{ byte = 3, {CRC}, covers = [3, 3] }}", "checksum.covers: found [3, 3]"),
        ('checksum = { byte = 3, method = "crc8" }', "polynomial: found none"),
        ('checksum = { byte = 3, method = "crc8", polynomial = 0x1C }', "an odd number"),
        ('checksum = { byte = 3, method = "sum", polynomial = 0x1D }', "polynomial"),
        ('checksum = { byte = 3, method = "sum", reflected = true }', "reflected"),
        ('checksum = { byte = 3, method = "md5" }', "method"),
        ("counter = { byte = 3, bits = 1 }", "bits"),
        ("counter = { byte = 3, bits = 8, step = 2 }", "an odd number"),
        ("counter = { byte = 3, bits = 2, step = 5 }", "that 2 bits hold"),
        ("counter = { byte = 3, bits = 4, restarts_at = 17 }", "at most 16"),
        ("counter = { byte = 3, bits = 4, step = 3, restarts_at = 9 }", "with step = 1"),
        ("counter = { byte = 1, bits = 8 }", "already taken by counter"),
    ],
)
def test_what_cannot_be_is_refused(keys: str, words: str):
    """The frame or key, what was found and what was expected."""
    assert words in _refusal(keys)
