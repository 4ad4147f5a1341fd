"""A folder of many recordings of many joints, each with findings, as a data sheet is read from."""

from pathlib import Path
from typing import Final

import numpy as np

from logger.findings.finding import Finding, FindingSpan, Method, UncertaintyPart
from logger.findings.uncertainty import quantity_from_parts
from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.repair.keep_finding import keep_finding
from logger.store.writing.bulk_writer import BulkWriter
from replay.recording import Recording
from tests.support.findings import S
from tests.support.heat_recordings import START_NS

__all__ = ["record_many_specimens"]

LENGTH_S: Final = 3 * 3600
EVERY_S: Final = 60
QUANTITIES: Final = (
    ("backlash", "'", 8.0, 0.3),
    ("peak_torque", "N.m", 24.0, 0.3),
    ("torque_per_ampere", "N.m/A", 1.53, 0.01),
)
"""Name, unit, value and standard uncertainty of what is found of a joint each time."""
_JOINT: Final = """[[joint]]
name = "joint-{number}"
serial = "A-{number:04}"
type = "JX-80"
layout = "l"
node = {number}
[joint.claims]
peak_torque_Nm = 24.0
backlash_arcmin = 8.0
mass_kg = 0.61
"""
_LAYOUT: Final = """format = 1
name = "l"
[[frame]]
name = "f"
identifier = "16 + node"
length = 2
hold_s = 90
[[frame.value]]
channel = "current_A"
byte = 0
bits = 16
"""


def record_many_specimens(folder: Path, *, recordings: int = 100, joints: int = 10) -> int:
    """Record all joints that many times, for three hours each; return how many findings were kept.

    Of each recording one joint by turns has a finding of each quantity.
    """
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n'
        + "".join(_JOINT.format(number=number) for number in range(1, joints + 1)),
        {"l": _LAYOUT},
        where="bench.toml",
    )
    dice = np.random.default_rng(1)
    kept = 0
    for number in range(recordings):
        start_ns = START_NS + number * 4 * 3600 * S
        recording = _record(folder / f"run-{number:03}", bench, start_ns)
        for name, unit, value, unsure in QUANTITIES:
            parts = (
                UncertaintyPart(source="readings", contribution=unsure, degrees_of_freedom=4.0),
                UncertaintyPart(source="arm", contribution=unsure / 4.0, shared=True),
            )
            found = value + unsure * float(dice.normal())
            span = FindingSpan(
                recording_id=recording.manifest.recording_id,
                recording=recording.path.name,
                from_ns=start_ns + S,
                to_ns=start_ns + 60 * S,
            )
            finding = Finding(
                kind=name,
                joint=f"joint-{number % joints + 1}",
                quantities=(quantity_from_parts(name, found, unit, parts),),
                method=Method(name="on the bench"),
                spans=(span,),
            )
            keep_finding(recording.path, finding)
            kept += 1
    return kept


def _record(path: Path, bench: Bench, start_ns: int) -> Recording:
    time_ns = np.arange(start_ns, start_ns + LENGTH_S * S, EVERY_S * S)
    writer = BulkWriter(path, new_manifest(bench, name=path.name, started_ns=start_ns), bench)
    for joint in bench.joints:
        writer.append_readings(
            ReadingBatch(
                joint=joint.name,
                time_ns=time_ns,
                position_segment=np.full(len(time_ns), -1, np.int32),
                columns={"current_A": np.full(len(time_ns), 2.0)},
            )
        )
    writer.close(ended_ns=start_ns + LENGTH_S * S, cause="made")
    return Recording.open(path)
