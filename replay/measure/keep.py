"""Keeps a measurement as a finding in the newest of its recordings, through the one writer."""

from collections.abc import Sequence
from pathlib import Path

from logger.errors import InputError
from logger.findings.finding import Finding
from logger.store.repair.keep_finding import keep_finding
from replay.measure.finding import measurement_finding
from replay.measure.result import Measurement
from replay.measure.setup import BenchSetup
from replay.recording import Recording

__all__ = ["keep_measurement"]


def keep_measurement(
    result: Measurement, setup: BenchSetup, recordings: Sequence[Recording]
) -> Finding | None:
    """Keep a result in the newest of its recordings; None where no quantity has an interval.

    Raises
    ------
    InputError
        There is no recording, or the newest is not in a folder of its own.
    OutsideFault
        The disk took no more; nothing was kept.
    """
    path = max(recordings, key=lambda one: one.start_ns).path if recordings else None
    if not isinstance(path, Path):
        raise InputError(
            where="--keep",
            found="no recording" if path is None else str(path),
            expected="the recording in a folder of its own that it is kept in, in front",
        )
    finding = measurement_finding(result, setup, recordings)
    return None if finding is None else keep_finding(path, finding)
