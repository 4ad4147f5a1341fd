"""What a layout makes of frames, counted by hand."""

import pytest

from logger.joint.batch import EXTENDED, REMOTE, FrameBatch
from logger.joint.bench.bench import bench_from_texts
from logger.joint.explain.trial import MAX_REASONS_SHOWN, Trial, run_trial

LAYOUT = """
format = 1
name = "l"
[[frame]]
name = "status"
identifier = "0x280 + node"
begins = "01"
length = 4
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = 1
  bits = 8
  no_value = [255]
  [[frame.value]]
  channel = "current_A"
  byte = 2
  bits = 16
  signed = true
[[frame]]
name = "motion"
identifier = "0x280 + node"
begins = "9C"
length = 3
echo_within_s = 0.002
  [[frame.value]]
  channel = "speed_rad_s"
  byte = 1
  bits = 16
"""
BENCH = """
[bus]
interface = "virtual"
[[joint]]
name = "a"
layout = "l"
node = 3
torque = { from = "current", per_ampere = 2.0 }
[[joint]]
name = "b"
layout = "l"
node = 4
"""
MS = 1_000_000


def _tried(
    *frames: tuple[int, int, int, str], joint: str | None = None, bench: str = BENCH
) -> Trial:
    batch = FrameBatch.from_rows(
        [(at * MS, number, flags, bytes.fromhex(data)) for at, number, flags, data in frames]
    )
    return run_trial(bench_from_texts(bench, {"l": LAYOUT}, where="bench.toml"), batch, joint=joint)


def test_no_value_is_counted_where_a_frame_carries_the_channel():
    """Of three status frames one says "no value"; the derived torque belongs to the current."""
    found = _tried(
        (0, 0x283, 0, "01 18 0A 00"), (10, 0x283, 0, "01 FF F6 FF"), (20, 0x283, 0, "01 1A 00 00")
    )
    of = {one.channel: one for one in found.channels if one.joint == "a"}
    housing = of["temperature_housing_degC"]
    assert (housing.count, housing.absent, housing.newest) == (2, 1, 26.0)
    assert (housing.lowest, housing.highest, housing.jump) == (24.0, 26.0, 2.0)
    assert (of["current_A"].count, of["current_A"].absent, of["current_A"].jump) == (3, 0, 20.0)
    assert (of["torque_Nm"].count, of["torque_Nm"].absent, of["torque_Nm"].lowest) == (3, 0, -20.0)
    assert (of["speed_rad_s"].count, of["speed_rad_s"].absent) == (0, 0)


@pytest.mark.parametrize("send", ["false", "true"])
def test_a_request_that_looks_like_its_answer_is_none_of_the_kind(send: str):
    """Two pairs: two answers, 100 ms apart, and two requests; also on a bench that may send."""
    found = _tried(
        *((at, 0x283, 0, "9C 0100") for at in (0, 1, 100, 101)),
        (250, 0x283, 0, "01 18 0A 00"),
        bench=BENCH.replace("[[joint]]", f"send = {send}\n[[joint]]", 1),
    )
    motion = next(one for one in found.kinds if (one.joint, one.frame) == ("a", "motion"))
    assert (motion.count, motion.period_s) == (2, pytest.approx(0.1))
    assert found.requests == 2


def test_each_reason_has_an_example():
    """However many identifiers are strange: the rare too short one is shown, newest payload."""
    strange = [(at, 0x500 + at % 40, 0, "AA") for at in range(200)]
    found = _tried(
        *strange,
        (300, 0x283, 0, "01 18"),
        (301, 0x283, 0, "01 19"),
        (302, 0x284, 0, "77"),
        (303, 0x284, REMOTE, ""),
        (304, 0x284, EXTENDED, "01 02"),
    )
    assert found.reasons == {
        "remote frame": 1,
        "identifier of no joint": 201,
        "leading bytes of no frame": 1,
        "too short": 2,
    }
    assert len(found.not_decoded) == MAX_REASONS_SHOWN
    shown = {(one.identifier, one.reason, one.count, one.example) for one in found.not_decoded}
    assert ("0x283", "too short", 2, "01 19") in shown
    assert ("0x284", "leading bytes of no frame", 1, "77") in shown
    assert ("0x284", "remote frame", 1, "") in shown
    assert ("0x500", "identifier of no joint", 5, "AA") in shown


def test_only_one_joint():
    """The other's kinds and channels are left out; what nobody decodes is not."""
    found = _tried((0, 0x283, 0, "01 18 0A 00"), (1, 0x3FF, 0, "AA"), joint="b")
    assert {one.joint for one in (*found.kinds, *found.channels)} == {"b"}
    assert len(found.not_decoded) == 1
