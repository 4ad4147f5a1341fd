"""Everything that a report is made from, read from recordings by what the commands read with.

`sheet` and `findings` give claims, verdicts and findings, `check` what is missing, `excursions`
what went beyond limits, `duty` the load, and the span figures of Replay the values: so a report has
no figure of its own.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from logger.errors import InputError
from logger.findings.finding import Finding
from logger.joint.bench.joint_settings import JointSettings
from logger.joint.channels import channel_named
from logger.limits.describe import LimitDescription, describe_limits
from logger.store.layout.events import Event
from logger.store.layout.manifest import package_versions
from logger.store.layout.remote import Location
from logger.store.reading.findings import UnreadFinding
from replay.check import CheckResult, check_recording
from replay.duty.evaluate import evaluate_duty
from replay.duty.faults import DutyFault
from replay.duty.model import duty_model
from replay.duty.result import DutyResult
from replay.excursions.excursion import Excursion
from replay.excursions.not_judged import NotJudged, recorded_not_judged
from replay.excursions.recorded import recorded_excursions
from replay.recording import Recording
from replay.report.attached import AttachedFile, read_attached
from replay.report.digest import RecordingDigest, digest_recording
from replay.report.traces import TraceRow, read_trace_rows
from replay.sheet.comparison import MOST_COMPARED, Comparison, compare_specimens
from replay.sheet.sheet import Sheet, make_sheet, measured_of
from replay.sheet.specimens import SpecimenList, specimens_of
from replay.statistics import WeightedStatistics, span_statistics

__all__ = [
    "ChannelFigures",
    "JointEvidence",
    "RecordingEvidence",
    "ReportEvidence",
    "read_evidence",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFigures:
    """The figures of one channel over a whole recording, in its stored unit."""

    channel: str
    figures: WeightedStatistics


@dataclass(frozen=True, slots=True, kw_only=True)
class JointEvidence:
    """What a recording tells of one joint, or of an instrument beside it."""

    settings: JointSettings
    label: str
    is_sensor: bool
    derives_torque: bool
    torque_constant: float | None
    """N.m for one ampere by which its torque was made from current; None: by none."""
    figures: tuple[ChannelFigures, ...]
    rows: tuple[TraceRow, ...]
    """Of its overview."""
    gaps_ns: tuple[tuple[int, int], ...]
    duty: DutyResult | None
    """None of an instrument, and where no load can be told of."""
    no_duty: str
    """Why not, as the command says it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingEvidence:
    """What one recording tells."""

    folder: str
    """Name of its folder."""
    name: str
    note: str
    recording_id: str
    is_live: bool
    is_simulated: bool
    start_ns: int
    end_ns: int
    end_cause: str
    written_by: dict[str, str]
    joints: tuple[JointEvidence, ...]
    check: CheckResult
    limits: tuple[LimitDescription, ...]
    """In force at its end."""
    limits_changed: int
    """How often others were put into force."""
    excursions: tuple[Excursion, ...]
    """Of the joints that are reported, in order of their start."""
    not_judged: tuple[NotJudged, ...]
    notes: tuple[Event, ...]
    findings: tuple[Finding, ...]
    """Current ones of the joints that are reported."""
    unread: tuple[UnreadFinding, ...]
    digest: RecordingDigest | None
    """None while it is recorded, and at an address."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportEvidence:
    """Everything that a report says."""

    made_ns: int
    program: str
    recordings: tuple[RecordingEvidence, ...]
    """In order of their start."""
    listed: SpecimenList
    sheets: tuple[Sheet, ...]
    comparisons: tuple[Comparison, ...]
    """Of specimens of one type."""
    attached: tuple[AttachedFile, ...]
    """In order of recordings and times."""


def read_evidence(
    locations: Sequence[Location],
    joints: Sequence[str] = (),
    *,
    report_progress: Callable[[float], None] | None = None,
) -> ReportEvidence:
    """Read what a report of recordings says.

    Parameters
    ----------
    locations
        Folders of recordings, or addresses of finished ones.
    joints
        Serials, names or labels of the joints to report; none: all.
    report_progress
        Called with the share that is done.

    Raises
    ------
    InputError
        One of them is no recording, is named twice, or there is no such joint.
    OutsideFault
        The store at an address cannot be reached.
    """
    opened = sorted(map(Recording.open, locations), key=lambda one: (one.start_ns, one.path.name))
    _refuse_repetition(opened)
    listed = specimens_of([one.path for one in opened])
    chosen = [listed.specimen_named(name) for name in joints] or list(listed.specimens)
    keys = {one.key for one in chosen}
    read = []
    for done, recording in enumerate(opened):
        if report_progress is not None:
            report_progress(done / len(opened))
        read.append(_read_recording(recording, keys))
    versions = package_versions()
    return ReportEvidence(
        made_ns=time.time_ns(),
        program=f"dutytrace {versions['dutytrace']}",
        recordings=tuple(read),
        listed=listed,
        sheets=tuple(make_sheet(one) for one in chosen),
        comparisons=tuple(_comparisons(listed, keys)),
        attached=read_attached(opened),
    )


def _refuse_repetition(opened: Sequence[Recording]) -> None:
    ids = [one.manifest.recording_id or str(one.path) for one in opened]
    for number, recording in enumerate(opened):
        if ids[number] in ids[:number]:
            raise InputError(
                where="REC",
                found=f"{recording.path.name}, which is the same recording as another of these",
                expected="each recording once",
            )


def _comparisons(listed: SpecimenList, keys: set[str]) -> list[Comparison]:
    by_type: dict[str, list[str]] = {}
    for one in listed.specimens:
        if one.type and one.key in keys and one.quantities:
            by_type.setdefault(one.type, []).append(one.key)
    specimens = {one.key: one for one in listed.specimens}
    return [
        compare_specimens({key: measured_of(specimens[key]) for key in alike[:MOST_COMPARED]})
        for alike in by_type.values()
        if len(alike) > 1
    ]


def _read_recording(recording: Recording, keys: set[str]) -> RecordingEvidence:
    check = check_recording(recording)
    manifest, bench = recording.manifest, recording.bench
    sensors = set(bench.sensors)
    reported = [
        joint
        for joint in bench.joints
        if joint.name in sensors or (joint.serial or joint.name) in keys
    ]
    names = {joint.name for joint in reported}
    stored = recording.read_findings()
    return RecordingEvidence(
        folder=recording.path.name,
        name=manifest.name,
        note=manifest.note,
        recording_id=manifest.recording_id,
        is_live=check.live,
        is_simulated=manifest.simulated,
        start_ns=recording.start_ns,
        end_ns=recording.end_ns,
        end_cause=manifest.end_cause,
        written_by=dict(manifest.written_by),
        joints=tuple(_read_joint(recording, joint) for joint in reported),
        check=check,
        limits=describe_limits(recording.limits, bench),
        limits_changed=len(recording.limit_sets) - 1,
        excursions=tuple(one for one in recorded_excursions(recording) if one.joint in names),
        not_judged=tuple(one for one in recorded_not_judged(recording) if one.joint in names),
        notes=recording.read_notes(),
        findings=tuple(one for one in stored.current if one.joint in names),
        unread=stored.unread,
        digest=digest_recording(recording.path)
        if isinstance(recording.path, Path) and not check.live
        else None,
    )


def _read_joint(recording: Recording, joint: JointSettings) -> JointEvidence:
    name = joint.name
    is_sensor = name in recording.bench.sensors
    span = recording.start_ns, recording.end_ns
    found = [
        ChannelFigures(channel=channel, figures=span_statistics(recording, name, channel, *span))
        for channel in recording.channels(name)
        if not channel_named(channel).of.whole
    ]
    duty, why_not = None, ""
    if not is_sensor and any(one.figures.n for one in found):
        try:
            duty = evaluate_duty(
                recording,
                name,
                start_ns=None,
                end_ns=None,
                model=duty_model(recording, name, ambient=(), limit_degC=None),
            )
        except DutyFault as fault:
            why_not = str(fault)
    return JointEvidence(
        settings=joint,
        label=recording.bench.label_of(name),
        is_sensor=is_sensor,
        derives_torque=recording.bench.derives_torque(joint),
        torque_constant=recording.bench.torque_constant_of(joint),
        figures=tuple(one for one in found if one.figures.n),
        rows=read_trace_rows(recording, name, recording.limits),
        gaps_ns=tuple(recording.read_gaps(name)),
        duty=duty,
        no_duty=why_not,
    )
