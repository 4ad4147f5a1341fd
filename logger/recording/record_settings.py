"""The settings of a recording: a new one, or one that is resumed."""

from dataclasses import dataclass
from pathlib import Path

from logger.campaign.plan_settings import PlanSettings
from logger.errors import InputError
from logger.joint.bench.bench import Bench, read_bench
from logger.limits.limit import LimitSet, check_for_bench, read_limits
from logger.recording.kept_models import is_bench_of
from logger.settings_file import read_text
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
    plan: PlanSettings | None = None
    """The plan that is followed; None: there is none."""
    plan_text: str = ""
    """Its file, verbatim."""
    goes_on: bool = False
    """`out` is a recording that ended or was cut short: resume it."""


def settings_to_resume(
    path: Path,
    *,
    bench: Path | None = None,
    limits_file: Path | None = None,
    plan_file: Path | None = None,
    note: str = "",
    duration_s: float | None = None,
    send_stop_on_trip: bool = False,
) -> RecordSettings:
    """Return the settings to resume a recording with: those that it began with.

    `limits_file`: its limits are put into force at the resume, as if the file had just been saved.

    Raises
    ------
    InputError
        It is no recording, `bench` or `plan_file` is not the one that it began with, or the limits
        do not fit it.
    """
    manifest = read_manifest(path)
    its_bench = manifest.read_bench(str(path))
    if bench is not None and not is_bench_of(its_bench, read_bench(bench), str(bench)):
        raise InputError(
            f"{bench}: differs from the bench file that {path} began with; expected the same. A "
            "recording goes on with its own bench: leave BENCH away, or begin a new recording."
        )
    if plan_file is not None:
        _check_same_plan(plan_file, manifest.plan, path)
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
        plan=manifest.read_plan(str(path)),
        plan_text=manifest.plan,
        goes_on=True,
    )


def _check_same_plan(plan_file: Path, text: str, path: Path) -> None:
    if read_text(plan_file, "plan file").strip() == text.strip():
        return
    began = "differs from the plan that" if text else "is a plan, and none is what"
    raise InputError(
        f"{plan_file}: {began} {path} began with; expected the same. Leave --plan away, or begin a "
        "new recording: `dutytrace campaign` takes several of one plan as one."
    )
