"""Traffic of joints with the layouts that are shipped, while the four steps are done with one."""

from collections.abc import Mapping
from typing import Final

import numpy as np

from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.bench.identifiers import identifier_for
from logger.joint.bench.layout import shipped_layout_text
from logger.layout_finder.traffic import Traffic
from logger.simulate.encode import encode_frames
from tests.logger.layout_finder.moved_joint import move_joint

__all__ = ["CIA402", "HARVEST", "shipped_bench", "shipped_traffic"]

HARVEST: Final = """
[bus]
interface = "virtual"
[[joint]]
name = "elbow"
layout = "harvest-joint"
node = 4
gear_ratio = 9.0
"""
CIA402: Final = """
[bus]
interface = "virtual"
[[joint]]
name = "elbow"
layout = "cia402"
node = 5
gear_ratio = 101
rated = { torque = 12.0, current = 8.0 }
  [joint.mapping]
  tpdo1 = ["0x6041/16", "0x6064/32", "0x6077/16"]
  tpdo2 = ["0x606C/32", "0x6079/32"]
  rpdo1 = ["0x607A/32", "0x6071/16"]
  [joint.value.position_rad]
  per_turn = 131072
  side = "motor"
  [joint.value.speed_rad_s]
  per_turn = 131072
  side = "motor"
  [joint.value.position_setpoint_rad]
  per_turn = 131072
  side = "motor"
"""
NM_PER_A: Final = 1.62
BASE_RATE_HZ: Final = 100.0
OPERATIONAL: Final = 5
"""What a heartbeat says."""
PERIOD_S: Final = {
    **{"motion": 0.01, "set-points": 0.05, "health": 0.1},
    **{"tpdo1": 0.01, "tpdo2": 0.02, "rpdo1": 0.01, "heartbeat": 0.5},
}


def shipped_bench(text: str) -> Bench:
    """Return a bench of one joint with the layout that it names."""
    name = "cia402" if 'layout = "cia402"' in text else "harvest-joint"
    layout = shipped_layout_text(name)
    assert layout is not None
    return bench_from_texts(text, {name: layout}, where="bench.toml")


def _channels(random: np.random.Generator) -> tuple[np.ndarray, Mapping[str, np.ndarray]]:
    """Return instants, and what the joint would report at each of them: 2 kg at 0.4 m."""
    time_s, angle = move_joint(BASE_RATE_HZ)
    count = len(time_s)
    speed = np.gradient(angle, time_s)
    torque = 2.0 * 0.4 * 9.80665 * np.sin(angle) + 0.8 * np.tanh(speed / 0.02) + 0.3 * speed
    heat = np.maximum(0.0, time_s - 48.0)
    follows = angle + random.normal(0.0, 2e-5, count)
    return time_s, {
        "position_rad": follows,
        "speed_rad_s": speed + random.normal(0.0, 0.01, count),
        "current_A": (torque + random.normal(0.0, 0.08, count)) / NM_PER_A,
        "torque_Nm": torque + random.normal(0.0, 0.08, count),
        # The controller asks ahead, and corrects by what it has measured a moment before.
        "position_setpoint_rad": np.interp(time_s + 0.02, time_s, angle),
        "torque_setpoint_Nm": torque + 30.0 * (angle - np.roll(follows, 1)),
        "voltage_V": 48.2 - 0.02 * np.abs(torque) + random.normal(0.0, 0.015, count),
        "temperature_drive_degC": 27.0 + 9.0 * (1.0 - np.exp(-heat / 12.0)),
        "temperature_housing_degC": 23.0 + 5.5 * (1.0 - np.exp(-heat / 20.0)),
        "fault_code": np.zeros(count),
        "state_code": np.full(count, 0x1637),
    }


def shipped_traffic(bench: Bench, *, seed: int = 3) -> Traffic:
    """Return the frames of the joint of a bench, and what it is asked with, in order of time."""
    random = np.random.default_rng(seed)
    time_s, channels = _channels(random)
    (joint,) = bench.joints
    layout = bench.layout_of(joint)
    frames: list[tuple[float, int, bytes]] = []

    def send(at_s: np.ndarray, identifier: str | int, payloads: list[bytes]) -> None:
        number = identifier_for(identifier, joint.node, extended=False, where=joint.name)
        late = at_s + random.uniform(0.0, 4e-4, len(at_s))
        frames.extend(zip(late.tolist(), [number] * len(at_s), payloads, strict=True))

    for place, frame in enumerate(layout.frame):
        if frame.name not in PERIOD_S or not (frame.value or frame.part):
            continue
        every = round(PERIOD_S[frame.name] * BASE_RATE_HZ)
        rows = {name: column[place % every :: every] for name, column in channels.items()}
        at_s = time_s[place % every :: every] + 1e-3 * (place + 1)
        data = np.full((len(at_s), 1), OPERATIONAL, np.uint8)
        if frame.value:
            told = {one.channel: rows[one.channel] for one in frame.value}
            data = encode_frames(frame, joint, told)
        send(at_s, frame.identifier, [bytes(row[: max(1, frame.length)]) for row in data])
        for request in layout.request:
            if frame.name in request.answer:
                asked = [bytes.fromhex(request.data.replace(" ", ""))] * len(at_s)
                send(at_s - 6e-4, request.identifier, asked)
    frames.sort()
    return Traffic(
        time_s=np.array([at for at, _, _ in frames]),
        identifier=np.array([identifier for _, identifier, _ in frames]),
        extended=np.zeros(len(frames), dtype=bool),
        data=[payload for _, _, payload in frames],
    )
