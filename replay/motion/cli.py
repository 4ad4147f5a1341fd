"""`dutytrace measure motion`: what one motion takes at each temperature, to be held over time."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from logger.cli.options import AsJson, JointName, Recording
from logger.cli.terminal import Line, Table, show, show_progress
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.findings.finding import Finding
    from replay.motion.motion import MotionLoad

__all__ = ["measure_motion"]


def measure_motion(
    recording: Recording,
    joint: JointName = None,
    keep: Annotated[
        bool, typer.Option("--keep", help="Keep the result as a finding in the recording.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Tell the RMS load of the motion that repeats, at each temperature: over the hours, wear."""
    from logger.store.repair.keep_finding import keep_finding
    from replay.campaign.read_cycles import read_cycles
    from replay.heat.options import chosen_joint
    from replay.motion.motion import motion_finding, motion_loads
    from replay.recording import Recording as Opened
    from replay.statistics import span_statistics

    opened = Opened.open(recording)
    chosen = chosen_joint([opened], joint)
    with show_progress(f"Reading {recording.name}", 1.0) as at:
        table = read_cycles(opened, chosen, report_progress=at)
    travel_rad = None
    if "position_rad" in opened.channels(chosen) and len(table):
        span = int(table.start_ns[0]), int(table.end_ns[-1])
        moved = span_statistics(opened, chosen, "position_rad", *span)
        travel_rad = moved.maximum - moved.minimum if moved.n else None
    found = motion_loads(table, travel_rad)
    if not found:
        raise InputError(
            where=recording.name,
            found="fewer than ten whole cycles at any temperature",
            expected="a motion that repeats; `dutytrace cycles` lists what was found",
        )
    finding = motion_finding(
        table,
        found,
        recording=opened.path.name,
        recording_id=opened.manifest.recording_id,
    )
    kept = keep_finding(recording, finding) if keep else None
    show(
        {
            "joint": chosen,
            "loads": [
                {
                    "quantity": one.quantity.name,
                    "unit": one.quantity.unit,
                    "value": one.quantity.value,
                    "low": one.quantity.low,
                    "high": one.quantity.high,
                    "temperature_degC": one.temperature_degC,
                    "cycles": one.cycles,
                    "cycle_time_s": one.cycle_time_s,
                }
                for one in found
            ],
            "kept": None if kept is None else kept.id,
        },
        _motion_lines(opened.bench.label_of(chosen), found, kept),
        as_json=as_json,
    )


def _motion_lines(
    label: str, found: "Sequence[MotionLoad]", kept: "Finding | None"
) -> Iterator[Line]:
    from replay.heat.text import band_text
    from replay.sheet.words import unit_words

    yield f"{label}: the load of the motion that repeats, over whole cycles, in steps of 4 K."
    yield Table(
        ("temperature", "cycles", "cycle time", "RMS load (95 %)"),
        [
            (
                "not recorded" if one.temperature_degC is None else f"{one.temperature_degC:g} °C",
                f"{one.cycles:,}",
                f"{one.cycle_time_s:.3g} s",
                f"{band_text((one.quantity.value, one.quantity.low, one.quantity.high))} "
                f"{unit_words(one.quantity.unit)}",
            )
            for one in found
        ],
    )
    yield (
        f"Kept as a finding, {kept.id[:8]}: `dutytrace sheet` holds it over the hours recorded."
        if kept is not None
        else "Not kept: --keep; of several recordings of one serial the sheet then tells the trend."
    )
