"""A campaign of weeks from its cycle table, events and a slow temperature: no rows of the joint."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa

from logger.event_kind import EventKind
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench
from logger.store.layout.cycle_schema import cycles_schema
from logger.store.layout.events import Event
from logger.store.layout.files import cycles_stream
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from tests.logger.campaign.pick_and_place import START_NS, S
from tests.support.one_joint import one_joint_bench

__all__ = ["CYCLE_S", "MadePart", "campaign_bench", "write_campaign_part"]

CYCLE_S: Final = 120
_READING_S: Final = 300
_HOUR_NS: Final = 3600 * S
_VALUES: Final = (
    ("position_rad", 0, 0.001),
    ("speed_rad_s", 2, 0.01),
    ("torque_Nm", 4, 0.01),
    ("temperature_housing_degC", 6, 0.1),
)
_HEAD: Final = '[[frame]]\nname = "s"\nidentifier = 0x10\nlength = 8\n'
_LAYOUT: Final = (
    _HEAD
    + "hold_s = 1.0\n"
    + "".join(
        f'[[frame.value]]\nchannel = "{channel}"\nbyte = {byte}\nbits = 16\nsigned = true\n'
        f"scale = {scale}\n"
        for channel, byte, scale in _VALUES
    )
)
_PLAN: Final = """
format = 1
name = "Gear endurance"
[[stage]]
name = "soak"
duration_s = 3600
[[stage]]
name = "load"
cycles = 50_000
watch = [{watch}]
[[stage]]
name = "cool-down"
until = {{ below_degC = 30.0 }}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePart:
    """One recording of a campaign; hours are counted from the campaign's beginning."""

    first_h: float
    last_h: float
    step_h: float = float("inf")
    """From here on torque and friction are 8 % more."""
    watch: tuple[str, ...] = ("friction_Nm", "rms_torque_Nm", "cycle_time_s")
    notes: tuple[tuple[float, str], ...] = ()
    fault_hours: tuple[float, ...] = ()


def campaign_bench(serial: str = "0398") -> Bench:
    """Return the bench of one joint."""
    return one_joint_bench(_LAYOUT, f'serial = "{serial}"\n')


def write_campaign_part(path: Path, part: MadePart, *, serial: str = "0398") -> Path:
    """Write a finished recording that follows a plan."""
    bench = campaign_bench(serial)
    begin_ns, end_ns = (START_NS + round(one * _HOUR_NS) for one in (part.first_h, part.last_h))
    plan = _PLAN.format(watch=", ".join(f'"{one}"' for one in part.watch))
    manifest = new_manifest(bench, name=path.name, started_ns=begin_ns, plan=plan)
    writer = BulkWriter(path, manifest, bench)
    writer.append_readings(_temperature(begin_ns, end_ns))
    writer.append_events(_events(part, begin_ns, end_ns))
    schema = cycles_schema(bench.channels_of(bench.joints[0]), has_winding=False)
    dice = np.random.default_rng(round(part.first_h) + len(serial))
    columns = _cycles(part, begin_ns, end_ns, dice)
    count = len(columns["start"])
    arrays = [
        pa.array(columns[field.name]).cast(field.type)
        if field.name in columns
        else pa.nulls(count, field.type)
        for field in schema
    ]
    writer.append_rows(cycles_stream("a"), pa.RecordBatch.from_arrays(arrays, schema=schema))
    writer.close(ended_ns=end_ns, cause="made")
    return path


def _warmth(at_h: np.ndarray | float) -> np.ndarray:
    return np.asarray(44.0 + 2.0 * np.sin(2.0 * np.pi * np.asarray(at_h) / 24.0))


def _temperature(begin_ns: int, end_ns: int) -> ReadingBatch:
    time_ns = np.arange(begin_ns, end_ns, _READING_S * S, dtype=np.int64)
    warm = np.round(_warmth((time_ns - START_NS) / _HOUR_NS), 1)
    nothing = np.full(len(time_ns), np.nan)
    columns = {
        channel: warm if channel.startswith("temperature") else nothing for channel, _, _ in _VALUES
    }
    return ReadingBatch(
        joint="a",
        time_ns=time_ns,
        position_segment=np.zeros(len(time_ns), np.int32),
        columns=columns,
    )


def _events(part: MadePart, begin_ns: int, end_ns: int) -> list[Event]:
    made: list[tuple[int, EventKind, str, dict[str, Any]]] = [(begin_ns, EventKind.STARTED, "", {})]
    if part.first_h == 0.0:
        soaked_ns = begin_ns + _HOUR_NS
        made += [
            (begin_ns, EventKind.STAGE_BEGUN, "soak", {}),
            (soaked_ns, EventKind.STAGE_ENDED, "soak", {"value": 30.0}),
            (soaked_ns, EventKind.STAGE_BEGUN, "load", {}),
        ]
    else:
        made.append((begin_ns, EventKind.STAGE_BEGUN, "load", {}))
    for at_h, text in part.notes:
        made.append((START_NS + round(at_h * _HOUR_NS), EventKind.NOTE, "", {"text": text}))
    for at_h in part.fault_hours:
        fields = {"joint": "a", "value": 7.0, "text": "a reports following error."}
        made.append((START_NS + round(at_h * _HOUR_NS), EventKind.FAULT, "", fields))
    made.append((end_ns, EventKind.ENDED, "", {}))
    made.sort(key=lambda one: one[0])
    return [
        Event(sequence=number, time_ns=time_ns, kind=kind, stage=stage, **fields)
        for number, (time_ns, kind, stage, fields) in enumerate(made, start=1)
    ]


def _cycles(
    part: MadePart, begin_ns: int, end_ns: int, dice: np.random.Generator
) -> dict[str, np.ndarray]:
    """Return the columns of the cycles of a recording, as friction eases in a warm gear."""
    start_ns = np.arange(begin_ns, end_ns - CYCLE_S * S + 1, CYCLE_S * S, dtype=np.int64)
    at_h = (start_ns - START_NS) / _HOUR_NS
    grown = np.where(at_h >= part.step_h, 1.08, 1.0)
    warm = _warmth(at_h)
    eased = 1.0 - 0.012 * (warm - 44.0)
    count = len(start_ns)
    return {
        "time": start_ns + CYCLE_S * S,
        "start": start_ns,
        "cycle": np.arange(1, count + 1),
        "kind": np.full(count, "whole"),
        "stage": np.where(at_h < 1.0, "soak", "load"),
        "friction_Nm": 0.424 * grown * eased * (1.0 + 0.02 * dice.normal(size=count)),
        "rms_torque_Nm": 8.1 * (0.8 + 0.2 * grown * eased) * (1.0 + 0.01 * dice.normal(size=count)),
        "cycle_time_s": 120.0 + 0.05 * dice.normal(size=count),
        "peak_temperature_degC": warm + 14.0 + 0.3 * dice.normal(size=count),
    }
