"""The settings of a recording: a new one, or one that is resumed."""

from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputError
from logger.joint.bench.bench import Bench, read_bench
from logger.limits.limit import LimitSet, check_for_bench, read_limits
from logger.store.layout.manifest import read_manifest

__all__ = ["RecordSettings", "settings_to_resume"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordSettings:
    """What is recorded, and where to."""

    bench: Bench
    where: str
    """The bench file's name, for messages."""
    limits: LimitSet
    out: Path
    name: str
    note: str = ""
    duration_s: float | None = None
    simulated: bool = False
    send_stop_on_trip: bool = False
    """Send a joint's stop frame when a limit of it trips; needs a bus that may send."""
    limits_file: Path | None = None
    """Where the limits were read from: read again when it changes."""
    goes_on: bool = False
    """`out` is a recording that ended or was cut short: resume it."""


def settings_to_resume(
    path: Path,
    *,
    bench: Path | None = None,
    limits_file: Path | None = None,
    note: str = "",
    duration_s: float | None = None,
    send_stop_on_trip: bool = False,
) -> RecordSettings:
    """Return the settings to resume a recording with: those that it began with.

    `limits_file`: its limits are put into force at the resume, as if the file had just been saved.

    Raises
    ------
    InputError
        It is no recording, `bench` is not the bench file that it began with, or the limits do not
        fit it.
    """
    manifest = read_manifest(path)
    # Earlier recorders kept the text without the blanks at its ends.
    if bench is not None and read_bench(bench).text.strip() != manifest.bench.strip():
        raise InputError(
            f"{bench}: differs from the bench file that {path} began with; expected the same. A "
            "recording goes on with its own bench: leave BENCH away, or begin a new recording."
        )
    its_bench = manifest.read_bench(str(path))
    if limits_file is not None:
        check_for_bench(read_limits(limits_file), its_bench, str(limits_file))
    return RecordSettings(
        bench=its_bench,
        where=str(path),
        limits=manifest.read_limits(str(path)),
        limits_file=limits_file,
        out=path,
        name=manifest.name,
        note=note,
        duration_s=duration_s,
        simulated=manifest.simulated,
        send_stop_on_trip=send_stop_on_trip,
        goes_on=True,
    )
