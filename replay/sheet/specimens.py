"""The specimens of a folder of recordings: who they are, what is claimed of them, what was found.

A serial in the bench file says that two recordings speak of one specimen; without one the joint's
name within the folder stands for it. Reads manifests and findings only, no row of a recording.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from logger.errors import InputError
from logger.findings.finding import (
    TORQUE_CONSTANT,
    Finding,
    current_findings,
    torque_basis_of,
)
from logger.joint.bench.bench import Bench, JointSettings
from logger.joint.bench.claims import StatedClaim
from logger.store.layout.files import MANIFEST_FILE
from logger.store.layout.manifest import Manifest, read_manifest
from logger.store.layout.remote import Address, Location
from logger.store.reading.findings import UnreadFinding, read_findings
from replay.recordings_folder import find_recordings
from replay.sheet.combining import SourcedQuantity

__all__ = ["Note", "NoteKind", "Specimen", "SpecimenList", "find_specimens", "specimens_of"]

_FROM_TORQUE: Final = frozenset({"heat", "ceiling", "friction", "backlash"})
"""Kinds of finding whose torques are of the recorded channel, by no instrument of their own."""
_NS_PER_H: Final = 3_600_000_000_000


class NoteKind(StrEnum):
    """What has to be said of a folder or a specimen beside its figures."""

    BY_NAME = "by name"
    """No serial is given: the joint's name stands for it."""
    TWO_SERIALS = "two serials"
    """One name is that of several serials."""
    SHARED_SERIAL = "shared serial"
    """Joints of one recording have the same serial: one of them is another specimen."""
    SEVERAL_CLAIMS = "several claims"
    """Recordings state different claims: the newest count."""
    UNREAD_FINDING = "unread finding"
    UNREAD_RECORDING = "unread recording"


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something to be said."""

    kind: NoteKind
    subject: str
    """Joint, recording or file that it is about."""
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One specimen of a joint: everything that a folder knows of it."""

    key: str
    """Its serial, or the joint's name where there is none."""
    name: str
    """Of the joint in the newest recording."""
    label: str
    serial: str
    type: str
    claims: tuple[StatedClaim, ...]
    """Of the newest recording that states any."""
    quantities: tuple[SourcedQuantity, ...]
    """Of its current findings, in order of time."""
    recordings: tuple[str, ...]
    """Folders that have it, the oldest first."""
    recorded_h: float
    """For how long it was recorded, in all."""
    notes: tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecimenList:
    """The specimens of a folder, by key."""

    specimens: tuple[Specimen, ...]
    notes: tuple[Note, ...]

    def specimen_named(self, name: str) -> Specimen:
        """Return the specimen of a serial, a joint's name or its label.

        Raises
        ------
        InputError
            There is none, or the name is that of several.
        """
        found = [one for one in self.specimens if one.key == name] or [
            one for one in self.specimens if name in {one.name, one.label}
        ]
        known = ", ".join(one.key for one in self.specimens) or "none"
        if not found:
            raise InputError(
                where="JOINT", found=repr(name), expected=f"a serial or joint of these: {known}"
            )
        if len(found) > 1:
            serials = ", ".join(one.key for one in found)
            raise InputError(
                where="JOINT",
                found=f"{name!r}, which is the name of {len(found)} specimens",
                expected=f"one of their serials: {serials}",
            )
        return found[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sighting:
    """A joint in one recording."""

    recording: str
    manifest: Manifest
    bench: Bench
    joint: JointSettings


def find_specimens(folder: Location) -> SpecimenList:
    """Return the specimens of a folder of recordings, of one recording, or of an address.

    Raises
    ------
    InputError
        There is no such folder.
    OutsideFault
        The store at an address cannot be reached.
    """
    notes: list[Note] = []
    return _specimens_in(_recordings_in(folder, notes), notes)


def specimens_of(recordings: Iterable[Location]) -> SpecimenList:
    """Return the specimens of recordings that somebody named, and of no others."""
    return _specimens_in(recordings, [])


def _specimens_in(recordings: Iterable[Location], notes: list[Note]) -> SpecimenList:
    """Return the specimens of recordings; `notes` grows while these are listed."""
    sightings: dict[str, list[_Sighting]] = defaultdict(list)
    findings: dict[str, dict[str, tuple[Finding, _Sighting]]] = defaultdict(dict)
    recording_ids: set[str] = set()
    benches: dict[tuple[str, tuple[tuple[str, str], ...]], Bench] = {}
    for location in recordings:
        try:
            manifest = read_manifest(location)
            key = manifest.bench, tuple(sorted(manifest.layouts.items()))
            bench = benches.get(key) or manifest.read_bench(str(location))
        except InputError as fault:
            notes.append(
                Note(kind=NoteKind.UNREAD_RECORDING, subject=location.name, detail=str(fault))
            )
            continue
        benches[key] = bench
        recording_ids.add(manifest.recording_id)
        stored = read_findings(location)
        notes += [_unread_note(one) for one in stored.unread]
        notes += _shared_serials(bench)
        here = {}
        for joint in bench.joints:
            if joint.name not in bench.sensors:
                here[joint.name] = _Sighting(
                    recording=location.name, manifest=manifest, bench=bench, joint=joint
                )
                sightings[joint.serial or joint.name].append(here[joint.name])
        for finding in stored.findings:
            of = here.get(finding.joint)
            if of is None:
                notes.append(_strange_note(finding, location.name))
            else:
                # Carried by a cut it is there twice, and is one finding.
                findings[of.joint.serial or finding.joint].setdefault(finding.id, (finding, of))
    specimens = [
        _specimen(key, seen, list(findings[key].values()), recording_ids)
        for key, seen in sightings.items()
    ]
    notes += _serial_notes(specimens)
    specimens.sort(key=lambda one: one.key)
    return SpecimenList(specimens=tuple(specimens), notes=tuple(dict.fromkeys(notes)))


def _recordings_in(folder: Location, notes: list[Note]) -> Iterator[Location]:
    """Yield the recordings of a folder, the oldest first; the folder itself where it is one."""
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder, expected one that holds recordings.")
    if (folder / MANIFEST_FILE).is_file():
        yield folder
        return
    if isinstance(folder, Address):
        for inner in sorted(folder.iterdir(), key=str):
            if (inner / MANIFEST_FILE).is_file():
                yield inner
        return
    for entry in sorted(find_recordings(folder), key=lambda one: (one.started_ns, one.name)):
        if entry.fault:
            notes.append(
                Note(kind=NoteKind.UNREAD_RECORDING, subject=entry.path.name, detail=entry.fault)
            )
        else:
            yield entry.path


def _shared_serials(bench: Bench) -> Iterator[Note]:
    """Yield the serials that several joints of one bench have."""
    names_of: dict[str, list[str]] = defaultdict(list)
    for joint in bench.joints:
        if joint.serial:
            names_of[joint.serial].append(joint.name)
    for serial, names in names_of.items():
        if len(names) > 1:
            yield Note(kind=NoteKind.SHARED_SERIAL, subject=serial, detail=", ".join(names))


def _unread_note(one: UnreadFinding) -> Note:
    return Note(kind=NoteKind.UNREAD_FINDING, subject=one.id, detail=one.sentence)


def _strange_note(finding: Finding, recording: str) -> Note:
    detail = f"{recording}: finding {finding.id} is of {finding.joint!r}, which this does not have."
    return Note(kind=NoteKind.UNREAD_FINDING, subject=finding.id, detail=detail)


def _specimen(
    key: str,
    seen: Sequence[_Sighting],
    found: Sequence[tuple[Finding, _Sighting]],
    recording_ids: set[str],
) -> Specimen:
    ordered = sorted(seen, key=lambda one: one.manifest.started_ns)
    newest = ordered[-1]
    claiming = [one for one in ordered if one.joint.claims]
    notes = []
    if not newest.joint.serial:
        notes.append(Note(kind=NoteKind.BY_NAME, subject=newest.joint.name))
    stated = {one.joint.model_dump_json(include={"claims"}) for one in claiming}
    if len(stated) > 1:
        notes.append(Note(kind=NoteKind.SEVERAL_CLAIMS, subject=key))
    spans = _recorded_spans(ordered)
    of_finding = {finding.id: sighting for finding, sighting in found}
    current = current_findings(finding for finding, _ in found)
    quantities = [
        sourced
        for finding in sorted(current, key=lambda one: (one.ended_ns, one.made_ns))
        for sourced in _sourced(finding, of_finding[finding.id], spans, recording_ids)
    ]
    return Specimen(
        key=key,
        name=newest.joint.name,
        label=newest.joint.label or newest.joint.name,
        serial=newest.joint.serial,
        type=newest.joint.type,
        claims=claiming[-1].bench.claims_of(claiming[-1].joint) if claiming else (),
        quantities=tuple(quantities),
        recordings=tuple(one.recording for one in ordered),
        recorded_h=_hours_until(spans, None),
        notes=tuple(notes),
    )


def _sourced(
    finding: Finding,
    sighting: _Sighting,
    spans: Sequence[tuple[int, int]],
    recording_ids: set[str],
) -> Iterator[SourcedQuantity]:
    of = {span.recording_id for span in finding.spans}
    mounting = sighting.joint.mounting
    constant = sighting.bench.torque_constant_of(sighting.joint)
    for quantity in finding.quantities:
        conditions = dict(quantity.conditions)
        if mounting:
            conditions.setdefault("mounting", mounting)
        yield SourcedQuantity(
            quantity=quantity,
            finding=finding,
            recording=sighting.recording,
            started_ns=sighting.manifest.started_ns,
            conditions=conditions,
            running_h=_hours_until(spans, finding.ended_ns),
            is_gone=bool(of) and not of & recording_ids,
            is_simulated=sighting.manifest.simulated,
            hidden_constant=constant
            if finding.kind in _FROM_TORQUE
            and TORQUE_CONSTANT not in conditions
            and torque_basis_of(quantity.unit, constant)
            else None,
        )


def _recorded_spans(seen: Iterable[_Sighting]) -> list[tuple[int, int]]:
    """Return when a specimen was recorded, in order; copies and cuts count once."""
    spans: list[tuple[int, int]] = []
    for one in sorted(seen, key=lambda one: one.manifest.started_ns):
        start_ns = one.manifest.started_ns
        end_ns = one.manifest.ended_ns or start_ns
        if spans and start_ns <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end_ns))
        else:
            spans.append((start_ns, end_ns))
    return spans


def _hours_until(spans: Sequence[tuple[int, int]], until_ns: int | None) -> float:
    """Return how many hours were recorded before an instant; None: in all."""
    total_ns = sum(
        end_ns - start_ns if until_ns is None else max(min(end_ns, until_ns) - start_ns, 0)
        for start_ns, end_ns in spans
    )
    return total_ns / _NS_PER_H


def _serial_notes(specimens: Iterable[Specimen]) -> Iterator[Note]:
    """Yield the names that several specimens of the folder have."""
    keys_of: dict[str, list[str]] = defaultdict(list)
    for one in specimens:
        keys_of[one.name].append(one.key if one.serial else f"{one.key} (no serial)")
    for name, keys in keys_of.items():
        if len(keys) > 1:
            yield Note(kind=NoteKind.TWO_SERIALS, subject=name, detail=", ".join(sorted(keys)))
