"""The shipped layout for CiA 402 drives, against worked numbers and an independent state table.

Numbers: objects and units of CiA 402 / IEC 61800-7-201, identifiers and emergency of CiA 301, all
second hand. Oracle: the profile table of the `canopen` package (2.4.1, MIT).
"""

import math
import struct
from dataclasses import replace

import numpy as np
import pytest

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.layout import shipped_layout_text
from logger.joint.decode.decode import Decoded, DecodeState, decode, decode_plan
from logger.limits.evaluate import evaluate, initial_state
from logger.limits.evaluate import plan_limits as limit_plan_for
from logger.limits.limit import parse_limits

UNITS = """
  [joint.value.position_rad]
  per_turn = 131072
  side = "motor"
  [joint.value.speed_rad_s]
  unit = "rpm"
  side = "motor"
"""
MAPPING = """
  [joint.mapping]
  tpdo1 = ["0x6041/16", "0x6064/32", "0x6077/16"]
  tpdo2 = ["0x606C:0/32", "6078h", 0x60790020]
  rpdo1 = ["0x6040/16", "0x6071/16"]
"""
JOINT = """
[[joint]]
name = "elbow"
layout = "cia402"
node = 1
gear_ratio = 101
rated = { torque = 12.0, current = 8.0 }
"""


def _bench(joint: str = JOINT + MAPPING + UNITS) -> Bench:
    text = f'[bus]\ninterface = "virtual"\n{joint}'
    layout = shipped_layout_text("cia402")
    assert layout is not None
    return bench_from_texts(text, {"cia402": layout}, where="bench.toml")


def _decoded(bench: Bench, *frames: tuple[int, bytes]) -> Decoded:
    batch = FrameBatch.from_rows(
        [(at * 10_000_000, number, 0, data) for at, (number, data) in enumerate(frames)]
    )
    return decode(decode_plan(bench), DecodeState(), batch)[0]


def _values(bench: Bench, number: int, data: bytes) -> dict[str, float]:
    columns = _decoded(bench, (number, data)).readings[0].columns
    return {name: values[0] for name, values in columns.items() if not np.isnan(values[0])}


def test_the_worked_process_data():
    """0x181 37 06 E8 03 00 00 58 FF: statusword 0x0637, position 1000, -168 per mille."""
    found = _values(_bench(), 0x181, bytes.fromhex("3706E803000058FF"))
    assert found == pytest.approx(
        {
            "state_code": 0x0637,
            "position_rad": 1000 / 131072 / 101 * 2 * math.pi,
            "torque_Nm": -2.016,
        }
    )


def test_the_worked_process_data_of_a_second_drive():
    """0x182 9C FF 2C 01 00 00: -100 per mille of torque, and a speed of 300."""
    joint = JOINT.replace("node = 1", "node = 2")
    mapping = '  [joint.mapping]\n  tpdo1 = ["0x6077/16", "0x606C/32"]\n'
    units = '  [joint.value.speed_rad_s]\n  unit = "rpm"\n  side = "motor"\n'
    found = _values(_bench(joint + mapping + units), 0x182, bytes.fromhex("9CFF2C010000"))
    assert found == pytest.approx({"torque_Nm": -1.2, "speed_rad_s": 300 / 101 * 2 * math.pi / 60})


def test_half_a_turn_at_the_output():
    """6064h = 6619136 at 131072 counts a turn behind 101:1 is 180 degrees."""
    data = struct.pack("<Hih", 0x0237, 6619136, 0)
    assert _values(_bench(), 0x181, data)["position_rad"] == pytest.approx(math.pi)


def test_velocity_current_and_voltage():
    """606Ch in rpm of the motor, 6078h per mille of 8 A, 6079h in mV."""
    found = _values(_bench(), 0x281, struct.pack("<ihI", -300, 250, 48_000)[:10])
    assert found == pytest.approx(
        {"speed_rad_s": -300 / 101 * 2 * math.pi / 60, "current_A": 2.0, "voltage_V": 48.0}
    )


def test_torque_scaled_by_rated_current():
    """Some drives report 6077h as a share of rated current; the scale is configuration."""
    joint = JOINT + 'per_mille = { torque = "current" }\ntorque = { per_ampere = 1.5 }\n'
    found = _values(_bench(joint + MAPPING + UNITS), 0x181, struct.pack("<Hih", 0, 0, -168))
    assert found["torque_Nm"] == pytest.approx(-0.168 * 8.0 * 1.5)


def test_a_controllers_target():
    """RPDO1, sent by the controller: what is not known is skipped, the target is a set-point."""
    found = _values(_bench(), 0x201, struct.pack("<Hh", 0x000F, 500))
    assert found == pytest.approx({"torque_setpoint_Nm": 6.0})


def test_every_statusword_reads_as_the_profile_table_has_it():
    """All 65,536 words: the state of the independent table, "unknown" where it has none."""
    table = pytest.importorskip("canopen.profiles.p402").State402.SW_MASK
    alike = {
        "NOT READY TO SWITCH ON": "not ready to switch on",
        "SWITCH ON DISABLED": "switch on disabled",
        "READY TO SWITCH ON": "ready to switch on",
        "SWITCHED ON": "switched on",
        "OPERATION ENABLED": "operation enabled",
        "FAULT": "fault",
        "FAULT REACTION ACTIVE": "fault reaction active",
        "QUICK STOP ACTIVE": "quick stop active",
    }
    assert set(alike) == set(table)
    bench = _bench()
    (plan,) = decode_plan(bench).joints
    codes = replace(plan.frames[0].tell.codes["state_code"], flags=())
    for word in range(1 << 16):
        expected = [name for name, (mask, value) in table.items() if word & mask == value]
        assert len(expected) <= 1
        assert codes.describe_code(word) == (alike[expected[0]] if expected else "unknown"), hex(
            word
        )


@pytest.mark.parametrize(
    ("word", "told"),
    [
        (0x0250, "switch on disabled"),
        (0x0231, "ready to switch on"),
        (0x0233, "switched on"),
        (0x0237, "operation enabled"),
        (0x1637, "operation enabled"),
        (0x0217, "quick stop active"),
        (0x0218, "fault"),
        (0x4508, "fault"),
        (0x021F, "fault reaction active"),
        (0x0000, "not ready to switch on"),
        (0x0A37, "operation enabled, internal limit active"),
        (0x02B7, "operation enabled, warning"),
    ],
)
def test_worked_statuswords(word: int, told: str):
    """Told as an event, with warning and internal limit beside the state."""
    (notice,) = _decoded(_bench(), (0x181, struct.pack("<Hih", word, 0, 0))).notices
    assert notice.text == f"elbow: drive state {told} (0x{word:04X})."


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (
            "0120020001020304",
            "code current (0x2001), error register current (0x02), manufacturer bytes 0x0001020304",
        ),
        (
            "1090010403020100",
            "code external (0x9010), error register generic (0x01), "
            "manufacturer bytes 0x0403020100",
        ),
        (
            "1042080000000000",
            "code temperature (0x4210), error register temperature (0x08), "
            "manufacturer bytes 0x0000000000",
        ),
        (
            "0000000000000000",
            "code reset, or no error (0x0000), error register 0x00, "
            "manufacturer bytes 0x0000000000",
        ),
    ],
)
def test_emergencies_are_events(data: str, told: str):
    """CiA 301's emergency: code class and error register in words, each time that one comes."""
    decoded = _decoded(_bench(), (0x81, bytes.fromhex(data)), (0x81, bytes.fromhex(data)))
    assert [one.text for one in decoded.notices] == [f"elbow: emergency: {told}."] * 2
    assert {one.kind for one in decoded.notices} == {"fault"}


def test_the_heartbeat_keeps_a_joint_from_being_silent():
    """Nothing but heartbeats is no silence; when they stop, it is."""
    bench = _bench()
    limits = parse_limits(
        'format = 1\n[[limit]]\nname = "silent"\nkind = "silence"\nseverity = "warning"\n'
        "after_s = 1.5\n",
        "limits.toml",
    )
    plan = limit_plan_for(limits, joint="elbow", hold_ns=bench.hold_times_ns_of(bench.joints[0]))
    frames = FrameBatch.from_rows([(at * 10**9, 0x701, 0, b"\x05") for at in range(5)])
    readings = decode(decode_plan(bench), DecodeState(), frames)[0].readings[0]
    changes, state = evaluate(plan, initial_state(plan, start_ns=0), readings, now_ns=5 * 10**9)
    assert changes == ()
    changes, _ = evaluate(plan, state, readings.select_rows(slice(0, 0)), now_ns=6 * 10**9)
    assert [change.time_ns for change in changes] == [5_500_000_000]


def test_a_boot_up_begins_a_new_position_segment():
    """After it the drive's position may be another: never continued in silence."""
    data = struct.pack("<Hih", 0x0237, 1000, 0)
    decoded = _decoded(_bench(), (0x181, data), (0x701, b"\0"), (0x701, b"\x7f"), (0x181, data))
    assert decoded.readings[0].position_segment.tolist() == [0, -1, -1, 1]
    assert [one.text for one in decoded.notices if "heartbeat" in one.text] == [
        "elbow: heartbeat: is switched on (0x00).",
        "elbow: heartbeat: is pre-operational (0x7F).",
    ]


def test_a_drive_that_was_mapped_otherwise():
    """Another identifier, the drive's own mapping entries, a maker's temperature."""
    joint = JOINT + (
        "  [joint.mapping]\n"
        '  tpdo1 = { identifier = "0x1A0 + node", objects = ["2031h:2/16", 0x60410010], '
        "period_s = 0.004 }\n"
        "  [[joint.object]]\n  index = 0x2031\n  sub = 2\n  bits = 16\n  signed = true\n"
        '  channel = "temperature_winding_degC"\n  scale = 0.1\n'
    )
    bench = _bench(joint)
    assert _values(bench, 0x1A1, struct.pack("<hH", 853, 0x0237)) == pytest.approx(
        {"temperature_winding_degC": 85.3, "state_code": 0x0237}
    )
    assert bench.hold_times_ns_of(bench.joints[0])["state_code"] == 12_000_000
    assert _decoded(bench, (0x181, bytes(8))).rejected == {"identifier of no joint": 1}


def test_two_drives_on_one_bus():
    """Each by its node; one frame is never two drives'."""
    other = JOINT.replace("elbow", "wrist").replace("node = 1", "node = 2")
    bench = _bench(JOINT + MAPPING + UNITS + other + MAPPING + UNITS)
    decoded = _decoded(
        bench, (0x181, struct.pack("<Hih", 1, 0, 100)), (0x182, struct.pack("<Hih", 1, 0, 200))
    )
    torques = [one.columns["torque_Nm"].tolist() for one in decoded.readings]
    assert torques == [pytest.approx([1.2]), pytest.approx([2.4])]


@pytest.mark.parametrize(
    ("joint", "sentence"),
    [
        (
            JOINT,
            "joint[1].mapping: this key is missing; the layout 'cia402' leaves to the bench file "
            "which objects the drive sends in tpdo1, tpdo2, tpdo3, tpdo4, rpdo1, rpdo2, "
            "rpdo3, rpdo4. Write such as mapping = { tpdo1 = ['0x6041/16', '0x6064/32'] }.",
        ),
        (
            JOINT + MAPPING,
            "joint[1].mapping.tpdo1[2]: 0x6064:0 counts in units that are set in the drive; "
            "expected what one count is: [joint.value.position_rad] with per_turn (counts of one "
            "turn), or unit and scale.",
        ),
        (
            JOINT + "mapping = { tpdo7 = ['0x6041/16'] }",
            "joint[1].mapping.tpdo7: found a frame that the layout 'cia402' does not leave to be "
            "mapped. Did you mean 'tpdo4'? Known: rpdo1, rpdo2, rpdo3, rpdo4, tpdo1, tpdo2, tpdo3, "
            "tpdo4.",
        ),
        (
            JOINT + "mapping = { tpdo1 = ['0x6041/8'] }",
            "joint[1].mapping.tpdo1[1]: found 8 bits for 0x6041:0 (statusword), expected 16.",
        ),
        (
            JOINT + "mapping = { tpdo1 = ['0x2031'] }",
            "joint[1].mapping.tpdo1[1]: found '0x2031', an object that is not known here; expected "
            "how many bits it takes ('0x2031:0/16'), or a [[joint.object]] that describes it.",
        ),
        (
            JOINT.replace("node = 1", "node = 0") + MAPPING + UNITS,
            "joint[1].node: found 0, expected 1 to 127: the layout 'cia402' knows no others.",
        ),
        (
            JOINT.replace("rated", "# rated") + MAPPING + UNITS,
            "joint[1].per_mille.torque: this key is missing; the layout reports torque as a share, "
            "expected what 1000 per mille are in N.m at the output (here, or as rated.torque).",
        ),
    ],
)
def test_what_a_mapping_may_not_be(joint: str, sentence: str):
    """File, key, found, expected."""
    with pytest.raises(InputError) as fault:
        _bench(joint)
    assert str(fault.value) == f"bench.toml: {sentence}"
