"""The tables of a bench file, each checked by itself, before a layout is looked at. Pure.

Buses, joints and sensors, their names, and the bus that each joint is wired to. What needs the
layouts is checked in bench.py.
"""

from dataclasses import replace
from typing import Any

from pydantic import Field, field_validator

from logger.errors import InputError, Mistake
from logger.joint.bench.joint_settings import JointSettings, Sensor, SensorSettings
from logger.joint.bench.table_settings import TableJoint, TableSettings
from logger.settings_file import SettingError, Settings, did_you_mean, validate_settings

__all__ = ["BenchTables", "BusSettings", "parse_bench_tables", "sensors_of_file"]


class BusSettings(Settings):
    """How the bus is reached, and whether anything may be sent to it."""

    name: str = Field(default="bus", pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)
    """What joints call it where there are several."""
    interface: str = Field(min_length=1, description="any interface of python-can")
    channel: str | int = ""
    bitrate: int | None = Field(default=None, gt=0, le=1_000_000)
    fd: bool = False
    """Receive CAN FD frames too."""
    data_bitrate: int | None = Field(default=None, gt=0, le=8_000_000)
    """Bit rate of the data phase of CAN FD frames, where the adapter is set here."""
    send: bool = False
    """False: not one frame is ever sent."""
    asking_share: float = Field(default=0.3, gt=0, le=0.9)
    """The most of the bit rate that requests and the answers to them may take together; without a
    bit rate there is no such bound."""
    acknowledge: bool = False
    """Let the adapter acknowledge frames while nothing is sent, where that can be set here."""
    options: dict[str, str | int | float | bool] = Field(default_factory=dict)
    """Further options of that interface, handed on as they are."""


class BenchTables(Settings):
    """The tables of a bench file that are the same with one bus and with several."""

    joint: tuple[JointSettings, ...] = Field(min_length=1)
    sensor: tuple[SensorSettings, ...] = ()

    @field_validator("joint")
    @classmethod
    def _names_differ(cls, joints: tuple[JointSettings, ...]) -> tuple[JointSettings, ...]:
        names = [joint.name for joint in joints]
        for name in names:
            if names.count(name) > 1:
                raise SettingError(
                    "", found=f"the name {name!r} twice", expected="one joint of each name"
                )
        return joints


class _OneBusTables(BenchTables):
    bus: BusSettings


class _SeveralBusesTables(BenchTables):
    bus: tuple[BusSettings, ...] = Field(min_length=1, max_length=64)


class _ValueTables(BenchTables):
    """Of a bench whose readings come from a table of values: it has no bus."""

    table: TableSettings
    joint: tuple[TableJoint, ...] = Field(min_length=1)


def parse_bench_tables(
    data: dict[str, Any], where: str
) -> tuple[BenchTables, tuple[BusSettings, ...], TableSettings | None]:
    """Return the tables of a bench file, its buses, and the `[table]` that may stand for them.

    `[bus]` is one, `[[bus]]` several.

    Raises
    ------
    InputError
        File, key, found, expected.
    """
    tables: _OneBusTables | _SeveralBusesTables
    if "table" in data:
        return _parse_value_tables(data, where)
    if isinstance(data.get("bus"), list):
        tables = validate_settings(_SeveralBusesTables, data, where)
        buses = tables.bus
    else:
        tables = validate_settings(_OneBusTables, data, where)
        buses = (tables.bus,)
    _check_bus_settings(buses, tables.joint, where)
    return tables, buses, None


def _parse_value_tables(
    data: dict[str, Any], where: str
) -> tuple[BenchTables, tuple[BusSettings, ...], TableSettings]:
    if "bus" in data:
        problem = "found both [bus] and [table], expected one: frames of a bus, or a table."
        raise InputError(mistakes=[Mistake(where=where, key=("table",), problem=problem)])
    tables = validate_settings(_ValueTables, data, where)
    for index, joint in enumerate(tables.joint):
        if joint.foreign_keys:
            problem = "a joint of a [table] has columns, no frames; expected no such key."
            key = ("joint", index, joint.foreign_keys[0])
            raise InputError(mistakes=[Mistake(where=where, key=key, problem=problem)])
    return tables, (), tables.table


def sensors_of_file(file: BenchTables, where: str) -> list[Sensor]:
    """Return the sensors of the file; InputError where a name is taken already."""
    used_names = {joint.name for joint in file.joint}
    sensors = []
    for index, sensor in enumerate(file.sensor, start=1):
        if sensor.name in used_names:
            raise InputError(
                mistakes=[
                    Mistake(
                        where=where,
                        key=("sensor", index - 1, "name"),
                        found=f"{sensor.name!r} twice",
                        expected="one joint or sensor of each name",
                    )
                ]
            )
        used_names.add(sensor.name)
        sensors.append(
            Sensor(
                name=sensor.name,
                label=sensor.label,
                layout="sensor",
                channels=sensor.channels,
                hold_s=sensor.hold_s,
                clock=sensor.clock,
            )
        )
    return sensors


def _check_bus_settings(
    buses: tuple[BusSettings, ...], joints: tuple[JointSettings, ...], where: str
) -> None:
    names = [bus.name for bus in buses]
    for bus_index, name in enumerate(names):
        if name in names[:bus_index]:
            raise InputError(
                mistakes=[
                    Mistake(
                        where=where,
                        key=("bus", bus_index, "name"),
                        found=f"{name!r} twice",
                        expected="one bus of each name",
                        hint="Give each [[bus]] a name.",
                    )
                ]
            )
    for index, joint in enumerate(joints):
        mistake = Mistake(where=where, key=("joint", index, "bus"))
        if joint.bus is None and len(buses) > 1:
            expected = f"the name of one: {', '.join(names)}"
            problem = f"this key is missing; with several buses, expected {expected}."
            raise InputError(mistakes=[replace(mistake, problem=problem, expected=expected)])
        if joint.bus is not None and joint.bus not in names:
            expected, hint = (
                "the name of a bus of this bench",
                did_you_mean(joint.bus, names).strip(),
            )
            raise InputError(
                mistakes=[replace(mistake, found=repr(joint.bus), expected=expected, hint=hint)]
            )
