"""The bench file: what is on the bench. It travels verbatim into every recording.

Reads a bench file and the layouts that it names, checks that they fit each other. A mistake is an
InputError with file, key, what was found and what was expected.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.arrays import to_ns
from logger.errors import InputError, Mistake
from logger.joint.bench.bench_settings import (
    BusSettings,
    parse_bench_tables,
    sensors_of_file,
)
from logger.joint.bench.claims import StatedClaim, stated_claims
from logger.joint.bench.expand import expand_layout
from logger.joint.bench.frame_match import FrameMatch, frame_match
from logger.joint.bench.identifiers import format_id, identifier_for
from logger.joint.bench.joint_settings import (
    JointSettings,
    RatedValues,
    Sensor,
    SensorSettings,
    TorqueSettings,
)
from logger.joint.bench.layout import Layout, parse_layout, shipped_layout_text, shipped_layouts
from logger.joint.bench.scaling import scaling_of
from logger.joint.bench.specimens import check_labels_differ, check_specimens
from logger.joint.bench.table_settings import TableJoint, TableSettings
from logger.joint.channels import in_channel_order
from logger.settings_file import (
    did_you_mean,
    read_text,
    read_toml,
)

__all__ = [
    "DEFAULT_HOLD_PERIODS",
    "DEFAULT_HOLD_S",
    "Bench",
    "BusSettings",
    "JointSettings",
    "RatedValues",
    "Sensor",
    "SensorSettings",
    "TableJoint",
    "TableSettings",
    "TorqueSettings",
    "add_sensor_to_bench",
    "bench_from_texts",
    "read_bench",
]

DEFAULT_HOLD_PERIODS: Final = 3.0
DEFAULT_HOLD_S: Final = 0.5
TABLE_HOLD_S: Final = 1.0
"""Of a joint's column of which nobody said how long its values hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A bench file and its layouts, checked against each other."""

    buses: tuple[BusSettings, ...]
    joints: tuple[JointSettings, ...]
    """The joints, then the sensors."""
    layouts: Mapping[str, Layout]
    text: str
    """The bench file verbatim."""
    layout_texts: Mapping[str, str]
    expanded_layouts: Mapping[str, Layout] = field(default_factory=dict)
    """Joint -> its layout with the bench file's settings of that joint."""
    table: TableSettings | None = None
    """How the table is written that the readings come from; None: they come from buses."""

    @property
    def sensors(self) -> tuple[str, ...]:
        """Names of those joints that are sensors."""
        return tuple(joint.name for joint in self.joints if isinstance(joint, Sensor))

    @property
    def labels(self) -> dict[str, str]:
        """Name of each joint and sensor -> what people call it."""
        return {joint.name: joint.label or joint.name for joint in self.joints}

    def label_of(self, name: str) -> str:
        """Return what people call a joint; a name that is none of the bench as it is."""
        return self.labels.get(name, name)

    def layout_of(self, joint: JointSettings) -> Layout:
        """Return the layout expanded for one joint; of a sensor or a table it has no frames."""
        if isinstance(joint, Sensor | TableJoint):
            return Layout.model_construct(format=1, name=joint.layout, frame=())
        return self.expanded_layouts[joint.name]

    def joint_named(self, name: str) -> JointSettings:
        """Return the joint of that name; KeyError if there is none."""
        for joint in self.joints:
            if joint.name == name:
                return joint
        raise KeyError(name)

    def claims_of(self, joint: JointSettings) -> tuple[StatedClaim, ...]:
        """Return what a joint's maker claims, in the order of the file."""
        return stated_claims(joint.claims, self.text, joint.name) if joint.claims else ()

    def bus_of(self, joint: JointSettings) -> int:
        """Return the index in `buses` of the bus that a joint is wired to."""
        names = [bus.name for bus in self.buses]
        return names.index(joint.bus) if joint.bus is not None else 0

    def bus_of_joint(self, name: str) -> int | None:
        """Return the index in `buses` of a joint's bus; None where no bus carries it."""
        joint = next((joint for joint in self.joints if joint.name == name), None)
        return None if joint is None or not self.has_frames(joint) else self.bus_of(joint)

    def has_frames(self, joint: JointSettings) -> bool:
        """Whether a joint's readings come from frames; not those of a sensor or a table."""
        return not isinstance(joint, Sensor | TableJoint)

    def derives_torque(self, joint: JointSettings) -> bool:
        """Whether a joint's torque is computed from its current."""
        return joint.torque is not None and joint.torque.source == "current"

    def torque_constant_of(self, joint: JointSettings) -> float | None:
        """Return the N.m per ampere by which a joint's torque was made from current; None: by none.

        Computed here, or a share of the rated current that the drive reports.
        """
        by_current = self.derives_torque(joint) or joint.per_mille.torque == "current"
        return joint.torque.per_ampere if by_current and joint.torque is not None else None

    def frame_matches_of(self, joint: JointSettings, *, where: str = "") -> tuple[FrameMatch, ...]:
        """Return the match of each frame of a joint, in its layout's order."""
        return tuple(
            frame_match(
                frame,
                node=joint.node,
                bus=self.bus_of(joint),
                where=f"{where}, frame {frame.name!r}" if where else joint.name,
            )
            for frame in self.layout_of(joint).frame
        )

    def channels_of(self, joint: JointSettings) -> tuple[str, ...]:
        """Return the channels of a joint in canonical order, the derived torque included."""
        if isinstance(joint, Sensor):
            return in_channel_order(joint.channels)
        layout_channels = set(
            joint.column if isinstance(joint, TableJoint) else self.layout_of(joint).channels
        )
        if self.derives_torque(joint):
            layout_channels.add("torque_Nm")
        return in_channel_order(layout_channels)

    def hold_times_ns_of(self, joint: JointSettings) -> dict[str, int]:
        """Return for each channel how long a value holds, in nanoseconds.

        Three periods of the frame that carries it, or what the layout says. A setting and not a
        statistic of the trace: a median is not known while the trace is being written, and joints
        that report more often under load would shorten it.
        """
        if isinstance(joint, Sensor):
            return dict.fromkeys(self.channels_of(joint), to_ns(joint.hold_s))
        hold_times: dict[str, int] = {}
        if isinstance(joint, TableJoint):
            hold_times = {name: to_ns(joint.hold_of(name, TABLE_HOLD_S)) for name in joint.column}
        for frame in self.layout_of(joint).frame:
            hold_s = frame.hold_s or (
                DEFAULT_HOLD_PERIODS * frame.period_s if frame.period_s else DEFAULT_HOLD_S
            )
            for value in frame.value:
                hold = to_ns(hold_s)
                hold_times[value.channel] = max(hold, hold_times.get(value.channel, 0))
        if self.derives_torque(joint) and "current_A" in hold_times:
            hold_times["torque_Nm"] = hold_times["current_A"]
        return hold_times


def read_bench(path: Path, *, given_layouts: Mapping[str, str] | None = None) -> Bench:
    """Return the bench that a file describes; its layouts are looked for beside it, then shipped.

    `given_layouts`: name and text of layouts that are not looked for.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    text = read_text(path, "bench file")
    data = read_toml(text, str(path))
    texts = dict(given_layouts or {})
    joints = data.get("joint")
    for joint in joints if isinstance(joints, list) else []:
        name = joint.get("layout") if isinstance(joint, dict) else None
        if isinstance(name, str) and name not in texts:
            layout_path = path.parent / f"{Path(name).name}.toml"
            layout_content = (
                read_text(layout_path, "layout file")
                if layout_path.is_file()
                else shipped_layout_text(name)
            )
            if layout_content is not None:
                texts[name] = layout_content
    bench = bench_from_texts(text, texts, where=str(path))
    _check_slots_apart(bench, str(path))
    check_labels_differ(bench.labels, str(path))
    check_specimens(bench.joints, str(path))
    return bench


def bench_from_texts(text: str, layout_texts: Mapping[str, str], *, where: str) -> Bench:
    """Return the bench of a bench text and its layout texts, as a recording carries them.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    data = read_toml(text, where)
    file, buses, table = parse_bench_tables(data, where)
    layouts: dict[str, Layout] = {}
    with_layouts = () if table else file.joint
    for joint_index, joint in enumerate(with_layouts, start=1):
        if joint.layout in layouts:
            continue
        if joint.layout not in layout_texts:
            raise InputError(
                mistakes=[
                    Mistake(
                        where=where,
                        key=("joint", joint_index - 1, "layout"),
                        found=repr(joint.layout),
                        problem=f"found {joint.layout!r}; there is no such layout file beside the "
                        "bench file, nor one that ships.",
                        hint=did_you_mean(joint.layout, shipped_layouts()).strip(),
                    )
                ]
            )
        layouts[joint.layout] = parse_layout(
            layout_texts[joint.layout], f"{joint.layout}.toml (layout)"
        )
    bench = Bench(
        buses=buses,
        joints=(*file.joint, *sensors_of_file(file, where)),
        layouts=layouts,
        text=text,
        layout_texts={name: layout_texts[name] for name in layouts},
        expanded_layouts={
            joint.name: expand_layout(
                layouts[joint.layout], joint, where=f"{where}: joint[{joint_index}]"
            )
            for joint_index, joint in enumerate(with_layouts, start=1)
        },
        table=table,
    )
    _check_frames_distinct(bench, where)
    _check_stop_frames(bench, where)
    for joint_index, joint in enumerate(file.joint, start=1):
        _check_channel_relations(bench, joint, f"{where}: joint[{joint_index}]")
    return bench


def add_sensor_to_bench(bench: Bench, sensor: SensorSettings, *, where: str) -> Bench:
    """Return the bench with one more sensor, whose table is appended to its text.

    Raises
    ------
    InputError
        There is a joint or sensor of that name already.
    """
    channels = ", ".join(f'"{name}"' for name in sensor.channels)
    label = f"label = {json.dumps(sensor.label, ensure_ascii=False)}\n" if sensor.label else ""
    clock = "" if sensor.clock is None else f"clock = {sensor.clock.to_toml()}\n"
    sensor_text = (
        f'[[sensor]]\nname = "{sensor.name}"\n{label}channels = [{channels}]\n'
        f"hold_s = {sensor.hold_s!r}\n{clock}"
    )
    return bench_from_texts(
        f"{bench.text.rstrip()}\n\n{sensor_text}", bench.layout_texts, where=where
    )


def _check_channel_relations(bench: Bench, joint: JointSettings, where: str) -> None:
    """Refuse a derived channel whose source or base is missing (torque from current)."""
    layout = bench.layout_of(joint)
    carried = joint.column if isinstance(joint, TableJoint) else layout.channels
    for frame in layout.frame:
        for value in frame.value:
            scaling_of(value, joint, where=where)
    if (
        joint.torque is not None
        and joint.torque.source is None
        and joint.per_mille.torque != "current"
    ):
        raise InputError(
            f"{where}.torque.from: this key is missing; expected from = 'current' where torque is "
            "to be computed, or per_mille.torque = 'current' where the drive reports it as a share "
            "of the rated current."
        )
    if not bench.derives_torque(joint):
        return
    if "current_A" not in carried:
        raise InputError(
            f"{where}.torque: found from = 'current', but the layout {joint.layout!r} carries no "
            f"current_A. It carries {', '.join(layout.channels)}."
        )
    if "torque_Nm" in carried:
        raise InputError(
            f"{where}.torque: found from = 'current', but the layout {joint.layout!r} already "
            "carries torque_Nm. Remove the key."
        )


def _check_stop_frames(bench: Bench, where: str) -> None:
    """Refuse a stop frame that does not fit its bus or could never be seen to work."""
    for joint_index, joint in enumerate(bench.joints, start=1):
        stop = joint.stop
        if stop is None:
            continue
        stop_location = f"{where}: joint[{joint_index}].stop"
        identifier_for(
            stop.identifier, joint.node, extended=stop.extended, where=f"{stop_location}.identifier"
        )
        layout_channels = bench.channels_of(joint)
        if stop.until is not None and stop.until.channel not in layout_channels:
            raise InputError(
                f"{stop_location}.until.channel: found {stop.until.channel!r}, expected a "
                f"channel that the layout {joint.layout!r} carries: {', '.join(layout_channels)}."
            )


def _check_frames_distinct(bench: Bench, where: str) -> None:
    """Refuse two frames of the bench that one received frame could match."""
    frame_rows = []
    for joint_index, joint in enumerate(bench.joints, start=1):
        joint_location = f"{where}: joint[{joint_index}] ({joint.name})"
        layout = bench.layout_of(joint)
        frame_rows += [
            (joint, frame, match)
            for frame, match in zip(
                layout.frame, bench.frame_matches_of(joint, where=joint_location), strict=True
            )
        ]
        for request in layout.request:
            identifier_for(
                request.identifier,
                joint.node,
                extended=request.extended,
                where=f"{joint_location}, request {request.name!r}",
            )
    for i, (joint, frame, match) in enumerate(frame_rows):
        for other_joint, other, other_match in frame_rows[:i]:
            if not match.overlaps(other_match):
                continue
            if frame.shared and other.shared and match == other_match and joint != other_joint:
                continue
            number = format_id(
                identifier_for(frame.identifier, joint.node, extended=frame.extended, where=where),
                extended=frame.extended,
            )
            raise InputError(
                f"{where}: joint {joint.name!r} (frame {frame.name!r}) and joint "
                f"{other_joint.name!r} (frame {other.name!r}) both claim the identifier "
                f"{number}; expected frames that differ. Give them different nodes, or "
                "leading bytes or another `match` that differ; where one frame carries values of "
                "both joints, `shared = true` in the layout and a `slot` for each in the bench "
                "file."
            )


def _check_slots_apart(bench: Bench, where: str) -> None:
    """Refuse two joints that take the same values of a frame: of a file only, not of a recording.

    Benches of recordings made before may have it; their joints read alike, as they did.
    """
    rows = [
        (joint, frame, match)
        for joint in bench.joints
        for frame, match in zip(
            bench.layout_of(joint).frame, bench.frame_matches_of(joint), strict=True
        )
        if any(value.slot_bytes or value.slot is not None for value in frame.value)
    ]
    for number, (joint, frame, match) in enumerate(rows):
        for other, other_frame, other_match in rows[:number]:
            same_slot = (joint.layout, joint.slot) == (other.layout, other.slot)
            if same_slot and frame.name == other_frame.name and match == other_match:
                raise InputError(
                    f"{where}: joint {joint.name!r}: found slot {joint.slot} of the frame "
                    f"{frame.name!r}, which is that of joint {other.name!r}; expected another "
                    "`slot` for each of them."
                )
