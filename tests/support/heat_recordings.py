"""Recordings of heat: of simulated joints, and of the real arm where its file is at hand."""

import os
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow.csv as pa_csv

from logger.joint.batch import ReadingBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.limits.limit import parse_limits
from logger.store.layout.manifest import new_manifest
from logger.store.writing.bulk_writer import BulkWriter
from replay.recording import Recording
from tests.support.heat_joints import Simulated, load_course, simulate_joint

S = 1_000_000_000
START_NS = 1_795_000_000 * S
# UR3 CobotOps: M. Tyrovolas, K. Aliev, D. Antonelli, C. Stylios; UCI Machine Learning Repository,
# 2024, doi 10.24432/C5J891, licence CC BY 4.0. Three joints, one row a second.
# It is not part of this tree.
REAL_ARM = Path(
    os.environ.get("REAL_ARM", Path(__file__).parents[2] / "../shared/real/arm-three-joints.csv")
)
NO_REAL_ARM = (
    "the recording of a real arm (UR3 CobotOps, doi 10.24432/C5J891) is not at hand: name its "
    "arm-three-joints.csv in REAL_ARM"
)


def heat_bench(channels: list[str], *, hold_s: float = 3.0, settings: str = "") -> Bench:
    """Return a bench of one joint `a` that reports these channels."""
    values = "".join(
        f'[[frame.value]]\nchannel = "{name}"\nbyte = {4 * index}\nbits = 32\n'
        for index, name in enumerate(channels[:2])
    )
    frames = f'[[frame]]\nname = "f"\nidentifier = 1\nlength = 8\nhold_s = {hold_s}\n{values}'
    for number, name in enumerate(channels[2:], start=2):
        frames += (
            f'[[frame]]\nname = "f{number}"\nidentifier = {number}\nlength = 8\nhold_s = {hold_s}\n'
            f'[[frame.value]]\nchannel = "{name}"\nbyte = 0\nbits = 32\n'
        )
    return bench_from_texts(
        f'[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\n{settings}',
        {"l": f'format = 1\nname = "l"\n{frames}'},
        where="bench.toml",
    )


def record_channels(
    path: Path,
    time_ns: np.ndarray,
    columns: dict[str, np.ndarray],
    *,
    hold_s: float = 3.0,
    settings: str = "",
    limits: str = "",
) -> Recording:
    """Return a recording of the joint `a`; NaN is null. `limits`: a limits file's text."""
    bench = heat_bench([*columns], hold_s=hold_s, settings=settings)
    start_ns = int(time_ns[0])
    in_force = parse_limits(limits, "limits.toml") if limits else None
    manifest = new_manifest(bench, name=path.name, started_ns=start_ns, limits=in_force)
    writer = BulkWriter(path, manifest, bench)
    writer.append_readings(
        ReadingBatch(
            joint="a",
            time_ns=time_ns.astype(np.int64),
            position_segment=np.full(len(time_ns), -1, np.int32),
            columns={name: values.astype(float) for name, values in columns.items()},
        )
    )
    writer.close(ended_ns=int(time_ns[-1]) + S, cause="made")
    return Recording.open(path)


STEPPED_SETTINGS = """
torque = { from = "current", per_ampere = 1.5 }
winding = { resistance_ohm = 0.145 }
"""


def record_stepped(
    path: Path,
    *,
    winding: bool = True,
    part: slice = slice(None),
    settings: str = "",
    limits: str = "",
) -> tuple[Recording, Simulated]:
    """Return two hours of load steps with the room, in whole degrees, and the truth behind it.

    `part`: of the seconds, what is recorded. `settings`: more of the joint's. `limits`: a limits
    file's text.
    """
    seconds = 7200
    load = load_course("steps", seconds, np.random.default_rng(7))
    made = simulate_joint(7, gaps=0, load=load)
    dice = np.random.default_rng(8)

    def counts(temperature: np.ndarray) -> np.ndarray:
        return np.rint(temperature + dice.normal(0, 0.15, seconds))

    columns = {
        "current_A": load,
        "temperature_housing_degC": counts(made.temperatures[1:, 1]),
        "temperature_ambient_degC": counts(made.ambient_degC),
    }
    if winding:
        columns["temperature_winding_degC"] = counts(made.temperatures[1:, 0])
    time_ns = START_NS + np.arange(seconds) * S
    kept = {name: values[part] for name, values in columns.items()}
    made_of = settings + STEPPED_SETTINGS
    return record_channels(path, time_ns[part], kept, settings=made_of, limits=limits), made


def record_real_arm(path: Path, joint: str) -> Recording:
    """Return one joint (base, shoulder, elbow) of the real arm as a recording of the joint `a`."""
    table = pa_csv.read_csv(REAL_ARM)
    stamps = [
        one if isinstance(one, datetime) else datetime.fromisoformat(str(one))
        for one in table["time"].to_pylist()
    ]
    aware = [one if one.tzinfo else one.replace(tzinfo=UTC) for one in stamps]
    time_ns = np.array([round(one.timestamp() * 1e3) for one in aware]) * (S // 1000)
    order = np.argsort(time_ns, kind="stable")

    def column(name: str) -> np.ndarray:
        return np.array(
            [np.nan if one is None else float(one) for one in table[f"{joint}_{name}"].to_pylist()]
        )[order]

    return record_channels(
        path,
        time_ns[order],
        {
            "current_A": column("current_A"),
            "temperature_housing_degC": column("temperature_degC"),
            "speed_rad_s": column("speed_rad_s"),
        },
    )
