"""One frame, or one drive, that serves several joints: each takes what is of its slot."""

import struct
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts, read_bench
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.explain.explain import explain_frame
from logger.joint.explain.typed import parse_typed_frame

LAYOUT = """format = 1
name = "pair"

[[frame]]
name = "both"
identifier = "0x300 + node"
shared = true
length = 8

  [[frame.value]]
  channel = "voltage_V"
  byte = 0
  bits = 8

  [[frame.value]]
  channel = "current_A"
  slot = 0
  byte = 1
  bits = 12
  signed = true
  scale = 0.1

  [[frame.value]]
  channel = "current_A"
  slot = 1
  byte = 2
  bit = 4
  bits = 12
  signed = true
  scale = 0.1

  [[frame.value]]
  channel = "position_rad"
  slot = 0
  byte = 4
  bits = 16
  side = "motor"
  encoder = { counts = 20000 }

  [[frame.value]]
  channel = "speed_rad_s"
  slot = 1
  byte = 6
  bits = 16
  signed = true
  scale = 0.01

[[frame]]
name = "second encoder"
identifier = "0x340 + node"
slot = 1
length = 2

  [[frame.value]]
  channel = "position_rad"
  byte = 0
  bits = 16
  side = "motor"
  encoder = { counts = 20000 }

[[request]]
name = "ask both"
identifier = "0x200 + node"
data = "07"
period_s = 0.02
answer = ["both", "second encoder"]

[[request]]
name = "ask the second"
identifier = "0x200 + node"
data = "09"
slot = 1
period_s = 0.1
answer = ["second encoder"]
"""
BENCH = """[bus]
interface = "virtual"
send = true

[[joint]]
name = "pan"
layout = "pair"
node = 5
slot = 0
gear_ratio = 2.0

[[joint]]
name = "tilt"
layout = "pair"
node = 5
slot = 1
gear_ratio = 4.0
"""


def _bench(text: str = BENCH, layout: str = LAYOUT) -> Bench:
    return bench_from_texts(text, {"pair": layout}, where="bench.toml")


def _payload(*, volts: int, pan_A: float, tilt_A: float, count: int, speed: float) -> bytes:  # noqa: N803
    currents = (round(tilt_A * 10) & 0xFFF) << 12 | (round(pan_A * 10) & 0xFFF)
    return (
        bytes([volts])
        + currents.to_bytes(3, "little")
        + struct.pack("<Hh", count, round(speed * 100))
    )


def test_each_joint_takes_its_own_of_one_frame():
    """Two joints of one node: values in places that follow no even spacing, one for both."""
    plan = decode_plan(_bench())
    payload = _payload(volts=48, pan_A=3.0, tilt_A=-2.5, count=5000, speed=-1.25)
    frames = FrameBatch.from_rows(
        [(0, 0x305, 0, payload), (1_000_000, 0x345, 0, (10_000).to_bytes(2, "little"))]
    )
    decoded, _ = decode(plan, DecodeState(), frames)
    assert decoded.rejected == {}
    pan, tilt = decoded.readings
    assert {name: values[0] for name, values in pan.columns.items()} == pytest.approx(
        {"voltage_V": 48.0, "current_A": 3.0, "position_rad": 0.25 * 2 * 3.141592653589793 / 2}
    )
    assert (len(pan), len(tilt)) == (1, 2)
    assert tilt.columns["voltage_V"][0] == 48.0
    assert tilt.columns["current_A"][0] == pytest.approx(-2.5)
    assert tilt.columns["speed_rad_s"][0] == pytest.approx(-1.25)
    assert tilt.columns["position_rad"][1] == pytest.approx(0.5 * 2 * 3.141592653589793 / 4)


def test_a_joint_has_the_channels_of_its_slot():
    """Not the others': a channel that never comes would be silent for ever."""
    bench = _bench()
    assert [bench.channels_of(joint) for joint in bench.joints] == [
        ("current_A", "position_rad", "voltage_V"),
        ("current_A", "speed_rad_s", "position_rad", "voltage_V"),
    ]
    pan, tilt = (bench.layout_of(joint) for joint in bench.joints)
    assert [frame.name for frame in pan.frame] == ["both"]
    assert [request.answer for request in pan.request] == [("both",)]
    assert [request.name for request in tilt.request] == ["ask both", "ask the second"]


def test_one_frame_is_explained_for_each_joint():
    """Both, each with its values, and each says of the other."""
    typed = parse_typed_frame("0x305", "30 1E 70 FE 88 13 83 FF")
    pan, tilt = explain_frame(_bench(), typed)
    assert (pan.joint, pan.readings["current_A"], tilt.joint, tilt.readings["current_A"]) == (
        "pan", pytest.approx(3.0), "tilt", pytest.approx(-2.5),
    )  # fmt: skip
    assert "speed_rad_s" not in pan.readings
    assert "The same frame also tells tilt." in pan.remarks
    assert "tilt takes the values of slot 1." in tilt.remarks
    assert pan.bytes[6].fields == ()
    assert tilt.bytes[6].fields == ("speed_rad_s",)


SLOT_1 = 'channel = "current_A"\n  slot = 1\n'


@pytest.mark.parametrize(
    ("bench", "layout", "sentence"),
    [
        (
            ("slot = 1", "slot = 2"),
            ("", ""),
            "joint[2].slot: found 2, expected one that the layout 'pair' names: 0, 1.",
        ),
        (("", ""), (SLOT_1, SLOT_1.replace("1", "0")), "frame 'both': current_A: found twice"),
        (("", ""), ("  slot = 1\n", ""), "frame 'both': current_A: found twice"),
        (("", ""), (SLOT_1, f"{SLOT_1}  slot_bytes = 1\n"), "slot: found beside slot_bytes"),
        (
            ("", ""),
            ("slot = 1\nlength = 2", "length = 2"),
            "frame 'second encoder': position_rad: found beside that of frame 'both'",
        ),
        (
            ("", ""),
            ("shared = true\n", ""),
            "where one frame carries values of both joints, `shared = true` in the layout and a "
            "`slot` for each in the bench file.",
        ),
    ],
)
def test_mistakes_name_the_key(bench: tuple[str, str], layout: tuple[str, str], sentence: str):
    """A slot that is not there, two values of one joint, no `shared`."""
    with pytest.raises(InputError) as told:
        _bench(BENCH.replace(*bench), LAYOUT.replace(*layout))
    assert sentence in str(told.value)


def test_one_slot_twice_is_refused_in_a_file(tmp_path: Path):
    """In a bench file; a recording whose bench has it reads as it did."""
    text = BENCH.replace("slot = 1", "slot = 0")
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    (tmp_path / "pair.toml").write_text(LAYOUT, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_bench(tmp_path / "bench.toml")
    assert str(told.value).endswith(
        "joint 'tilt': found slot 0 of the frame 'both', which is that of joint 'pan'; expected "
        "another `slot` for each of them."
    )
    assert len(_bench(text).joints) == 2
