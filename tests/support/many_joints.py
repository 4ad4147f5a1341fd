"""Twenty-four joints of four arms, each arm on a bus of its own, behind pseudo-terminals.

The byte path is that of a serial-line adapter: python-can's `slcan` opens each line. What a joint
reports follows from its place in `JOINTS` and the time alone. Run as a module it plays the joints
in a process of its own: `python -m tests.support.many_joints FOLDER --rate 100`.
"""

import argparse
import contextlib
import math
import struct
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.importing.import_frames import import_frames
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits
from logger.simulate.line_protocol import CanFrame
from replay.recording import Recording
from tests.support.adapter import Adapter

__all__ = [
    "ARMS",
    "JOINTS",
    "LIMITS",
    "JointReport",
    "bench",
    "bench_text",
    "play_joints",
    "write_files",
]

START_NS: Final = 1_795_000_000_000_000_000
ARMS: Final = ("north", "east", "south", "west")
PLACES: Final = ("base", "shoulder", "elbow", "forearm", "wrist", "gripper")
SILENT_AFTER_S: Final = 25.0
LAYOUT_NAME: Final = "arm-joint"
LAYOUT: Final = """
format = 1
name = "arm-joint"
[[frame]]
name = "status"
identifier = "0x1A0 + node * 5"
length = 8
period_s = @PERIOD@
hold_s = 1.0
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = 0
  bits = 16
  signed = true
  scale = 0.1
  no_value = [0x7FFF]
  [[frame.value]]
  channel = "torque_Nm"
  byte = 2
  bits = 16
  signed = true
  scale = 0.01
  [[frame.value]]
  channel = "speed_rad_s"
  byte = 4
  bits = 16
  signed = true
  scale = 0.001
  [[frame.value]]
  channel = "position_rad"
  byte = 6
  bits = 16
  signed = true
  scale = 0.001
"""
LIMITS: Final = """
format = 1
[[limit]]
name = "housing-warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 70.0
drop_off = 67.0
on_delay_s = 0.5
[[limit]]
name = "housing-hot"
kind = "level"
severity = "trip"
channel = "temperature_housing_degC"
above = 80.0
drop_off = 76.0
on_delay_s = 0.5
[[limit]]
name = "over-torque"
kind = "level"
severity = "warning"
channel = "torque_Nm"
above = 16.0
drop_off = 14.0
off_delay_s = 10.0
on_delay_s = 0.2
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointReport:
    """What a joint reports at one instant."""

    temperature_degC: float  # noqa: N815 - a unit
    torque_Nm: float  # noqa: N815 - a unit
    speed_rad_s: float
    position_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ManyJoint:
    """One of the joints: its bus, its node on it, and how warm it is."""

    name: str
    label: str
    bus: int
    node: int
    temperature_degC: float  # noqa: N815 - a unit
    """NaN: it reports none."""
    rise_K_per_min: float = 0.0  # noqa: N815 - a unit
    torque_Nm: float = 6.0  # noqa: N815 - a unit
    """Amplitude."""
    silent_after_s: float = math.inf

    def report_at(self, at_s: float) -> JointReport | None:
        """Return what it reports so long after the start, None once it is silent."""
        if at_s >= self.silent_after_s:
            return None
        phase = at_s * 2 * math.pi / (3.0 + 0.1 * self.node)
        return JointReport(
            temperature_degC=self.temperature_degC + self.rise_K_per_min * at_s / 60.0,
            torque_Nm=self.torque_Nm * math.sin(phase),
            speed_rad_s=0.8 * math.cos(phase),
            position_rad=0.4 * math.sin(phase) + 0.1 * self.node,
        )


_DEGC: Final = {
    "south-shoulder": 80.9, "west-shoulder": 73.4, "north-elbow": 58.1, "east-wrist": 52.0,
    "east-gripper": math.nan, "north-shoulder": 66.4, "east-shoulder": 58.9, "south-elbow": 57.2,
    "west-elbow": 52.8, "north-base": 49.0, "south-base": 47.6, "west-base": 46.3,
    "east-elbow": 45.1, "east-base": 44.2, "north-forearm": 43.0, "south-forearm": 41.7,
    "west-forearm": 41.5, "east-forearm": 39.8, "south-wrist": 38.4, "north-wrist": 37.9,
    "west-wrist": 36.6, "north-gripper": 33.2, "south-gripper": 32.5, "west-gripper": 31.9,
}  # fmt: skip


def _joint(bus: int, arm: str, node: int, place: str) -> ManyJoint:
    name = f"{arm}-{place}"
    return ManyJoint(
        name=name,
        label=f"{arm} {place}",
        bus=bus,
        node=node,
        temperature_degC=_DEGC[name],
        rise_K_per_min={"west-shoulder": 0.6, "north-shoulder": 0.3}.get(name, 0.0),
        torque_Nm=17.2 if name == "north-elbow" else 9.0 - node,
        silent_after_s=SILENT_AFTER_S if name == "east-wrist" else math.inf,
    )


JOINTS: Final = tuple(
    _joint(bus, arm, node, place)
    for bus, arm in enumerate(ARMS)
    for node, place in enumerate(PLACES, start=1)
)
"""In the order of the bench. One trips, two warn, one falls silent, one reports no temperature."""


def bench_text(folder: Path, joints: tuple[ManyJoint, ...] = JOINTS) -> str:
    """Return the text of a bench file whose buses are the lines of `play_joints` in a folder."""
    buses = sorted({joint.bus for joint in joints})
    parts = [
        f'[[bus]]\nname = "{ARMS[bus]}"\ninterface = "slcan"\nchannel = "{folder / ARMS[bus]}"\n'
        "bitrate = 1_000_000\noptions = { sleep_after_open = 0.0 }\n"
        for bus in buses
    ]
    parts += [
        f'[[joint]]\nname = "{joint.name}"\nlabel = "{joint.label}"\nbus = "{ARMS[joint.bus]}"\n'
        f'layout = "{LAYOUT_NAME}"\nnode = {joint.node}\nrated = {{ torque = 18.0 }}\n'
        for joint in joints
    ]
    return "\n".join(parts)


def layout_text(rate_Hz: float) -> str:  # noqa: N803 - a unit
    """Return the text of the layout of joints that report so often."""
    return LAYOUT.replace("@PERIOD@", f"{1 / rate_Hz:g}")


def bench(
    folder: Path,
    *,
    rate_Hz: float,  # noqa: N803 - a unit
    joints: tuple[ManyJoint, ...] = JOINTS,
) -> Bench:
    """Return the bench of these joints."""
    layouts = {LAYOUT_NAME: layout_text(rate_Hz)}
    return bench_from_texts(bench_text(folder, joints), layouts, where="bench.toml")


def write_files(folder: Path, *, rate_Hz: float) -> None:  # noqa: N803 - a unit
    """Write bench, layout and limits file into a folder, for `dutytrace record`."""
    (folder / "bench.toml").write_text(bench_text(folder), "utf-8")
    (folder / f"{LAYOUT_NAME}.toml").write_text(layout_text(rate_Hz), "utf-8")
    (folder / "limits.toml").write_text(LIMITS, "utf-8")


def _payload(report: JointReport) -> bytes:
    degC = report.temperature_degC  # noqa: N806 - a unit
    tenths = 0x7FFF if math.isnan(degC) else round(degC * 10)
    values = (report.torque_Nm * 100, report.speed_rad_s * 1000, report.position_rad * 1000)
    return struct.pack("<4h", tenths, *(round(value) for value in values))


def record_joints(
    out: Path,
    *,
    length_s: int,
    rate_Hz: float,  # noqa: N803 - a unit
    joints: tuple[ManyJoint, ...] = JOINTS,
) -> Recording:
    """Record what joints report within some seconds, as from a log, and return it."""
    steps = round(length_s * rate_Hz)
    frames = [
        FrameBatch.from_rows(
            [
                (START_NS + round(step * 1e9 / rate_Hz) + joint.node, 0x1A0 + joint.node * 5, 0,
                 _payload(report))
                for joint in joints
                if joint.bus == bus and (report := joint.report_at(step / rate_Hz)) is not None
            ],
            bus=bus,
        )
        for step in range(steps)
        for bus in range(len(ARMS))
    ]  # fmt: skip
    import_frames(
        (
            FrameBatch.concatenate(frames[first : first + 400])
            for first in range(0, len(frames), 400)
        ),
        bench=bench(out.parent, rate_Hz=rate_Hz, joints=joints),
        limits=parse_limits(LIMITS, "limits.toml"),
        out=out,
        name="Four arms",
        start_ns=START_NS,
        end_ns=START_NS + length_s * 1_000_000_000,
    )
    return Recording.open(out)


@contextlib.contextmanager
def play_joints(
    folder: Path,
    *,
    rate_Hz: float,  # noqa: N803 - a unit
    joints: tuple[ManyJoint, ...] = JOINTS,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[None]:
    """Let joints report on the lines FOLDER/north, ... while the context is open."""
    start_s = clock()

    def talker(bus: int) -> Callable[[], list[CanFrame]]:
        own = [joint for joint in joints if joint.bus == bus]

        def talk() -> list[CanFrame]:
            at_s = clock() - start_s
            return [
                CanFrame(identifier=0x1A0 + joint.node * 5, data=_payload(report))
                for joint in own
                if (report := joint.report_at(at_s)) is not None
            ]

        return talk

    with contextlib.ExitStack() as stack:
        for bus in sorted({joint.bus for joint in joints}):
            line = Adapter(folder / ARMS[bus], talk=talker(bus), every_s=1 / rate_Hz)
            stack.enter_context(line)
        yield


def main() -> None:
    """Play the joints until the process is ended, after writing their files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rate", type=float, default=100.0, help="reports a second")
    options = parser.parse_args()
    write_files(options.folder, rate_Hz=options.rate)
    with play_joints(options.folder, rate_Hz=options.rate):
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        while True:
            time.sleep(3600)


if __name__ == "__main__":
    main()
