"""A mistake in a bench or layout file: the sentence that it must produce."""

from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench import read_bench

BENCH = """
[bus]
interface = "virtual"
channel = "x"
[[joint]]
name = "shoulder"
layout = "mine"
node = 3
gear_ratio = 9.0
"""
LAYOUT = """
format = 1
name = "mine"
[[frame]]
name = "status"
identifier = "0x280 + node"
length = 4
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
[[frame.value]]
channel = "voltage_V"
byte = 2
bits = 16
"""
SECOND = '[[joint]]\nname = "elbow"\nlayout = "mine"\nnode = 3\n'


def _read(folder: Path, bench: str, layout: str) -> None:
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    (folder / "mine.toml").write_text(layout, encoding="utf-8")
    read_bench(folder / "bench.toml")


def test_the_sound_one_is_read(tmp_path: Path):
    """The files that the cases below break are right."""
    _read(tmp_path, BENCH, LAYOUT)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("gear_ratio", "gear_rato", ["joint[1].gear_rato", "no such key", "'gear_ratio'"]),
        (
            "gear_ratio = 9.0",
            "gear_ratio = 0",
            ["joint[1].gear_ratio", "found 0", "greater than 0"],
        ),
        ("node = 3", 'node = "three"', ["joint[1].node", "found 'three'", "whole number"]),
        ('layout = "mine"', 'layout = "harvest-jint"', ["joint[1].layout", "harvest-joint"]),
        ('layout = "mine"', "", ["joint[1].layout", "missing"]),
        ('name = "shoulder"', 'name = "Left Arm"', ["joint[1].name", "found 'Left Arm'"]),
        ("[[joint]]", SECOND + "[[joint]]", ["both claim", "0x283", "shoulder", "elbow"]),
        ("[[joint]]", SECOND.replace("elbow", "shoulder") + "[[joint]]", ["twice"]),
        ("[bus]", "[bsu]", ["bus", "missing"]),
        ("[bus]", "[bus", ["not valid TOML"]),
        ("node = 3", "node = 2000", ["status", "0xA50", "at most 0x7FF", "extended = true"]),
        ("node = 3", "node = 3\ntorque = { from = 'curent', per_ampere = 1 }", ["torque.from"]),
    ],
)
def test_mistakes_in_a_bench_file(tmp_path: Path, old: str, new: str, words: list[str]):
    """File, key, found, expected; no traceback, no guess."""
    with pytest.raises(InputError) as fault:
        _read(tmp_path, BENCH.replace(old, new, 1), LAYOUT)
    for word in [*words, "bench.toml"]:
        assert word in str(fault.value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("byte = 2", "byte = 1", ["voltage_V", "byte 1 bit 0", "taken by current_A"]),
        ("byte = 2", "byte = 3", ["voltage_V", "reaches byte 4", "has 4 bytes"]),
        ("length = 4", "length = 4\nbegins = '41'", ["current_A", "taken by begins"]),
        ("length = 4", "length = 70", ["length", "found 70", "64"]),
        ("voltage_V", "voltag_V", ["channel", "found 'voltag_V'", "voltage_V"]),
        ("voltage_V", "current_A", ["current_A", "found twice"]),
        ("0x280 + node", "0x280 * node", ["identifier", "found '0x280 * node'"]),
        ("bits = 16", "bits = 65", ["bits", "found 65"]),
        ("bits = 16", "bits = 16\nscale = 0", ["scale", "found 0"]),
        ("bits = 16", "bits = 16\nunit = 'degC'", ["unit", "found 'degC'", "mA"]),
        ("bits = 16", "bits = 16\nside = 'motor'", ["side", "found 'motor'"]),
        ("bits = 16", "bits = 16\nencoder = { counts = 4096 }", ["encoder", "position_rad only"]),
        ("bits = 16", "bits = 16\norder = 'middle'", ["order", "found 'middle'", "'little'"]),
        ("format = 1", "format = 2", ["format", "found 2", "1"]),
        ("[[frame]]", "[[frames]]", ["frames", "no such key", "'frame'"]),
        ("length = 4", "length = 4\nbegins = '4'", ["begins", "found '4'", "bytes in hex"]),
    ],
)
def test_mistakes_in_a_layout_file(tmp_path: Path, old: str, new: str, words: list[str]):
    """Overlap, overrun, unknown channel and unit: named with frame, value and place."""
    with pytest.raises(InputError) as fault:
        _read(tmp_path, BENCH, LAYOUT.replace(old, new, 1))
    for word in [*words, "mine.toml"]:
        assert word in str(fault.value)


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b""])
def test_unreadable_files(tmp_path: Path, content: bytes):
    """Not UTF-8, empty, missing, a folder."""
    path = tmp_path / "bench.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"bench\.toml"):
        read_bench(path)
    with pytest.raises(InputError, match="no such bench file"):
        read_bench(tmp_path / "other.toml")
    with pytest.raises(InputError, match="this is a folder"):
        read_bench(tmp_path)
