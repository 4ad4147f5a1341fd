"""Who is who in a folder of recordings, and what the folder knows of each."""

import shutil
from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.store.layout.manifest import new_manifest
from logger.store.layout.remote import location_of
from logger.store.repair.keep_finding import keep_finding
from logger.store.tools.cut import copy_span
from logger.store.writing.bulk_writer import BulkWriter
from replay.sheet.sheet import make_sheet
from replay.sheet.specimens import NoteKind, find_specimens
from replay.sheet.words import sheet_note_lines
from tests.support.findings import S, play_finding, small_recording
from tests.support.heat_recordings import START_NS

DAY_NS = 86_400 * S
CLAIM = "[joint.claims]\nbacklash_arcmin = 10.0\n"


def _recorded(folder: Path, name: str, *, day: int = 0, settings: str = "", value: float = 10.0):
    recording = small_recording(folder / name, start_ns=START_NS + day * DAY_NS, settings=settings)
    kept = keep_finding(recording.path, play_finding(recording, value))
    return recording, kept


def test_a_serial_says_who_it_is(tmp_path: Path):
    """Two recordings of one serial are one specimen; another of the same name is another."""
    for day, serial in enumerate(("A-1", "B-2", "A-1")):
        _recorded(tmp_path, f"day{day}", day=day, settings=f'serial = "{serial}"\ntype = "JX"\n')
    listed = find_specimens(tmp_path)
    first, second = listed.specimens
    assert (first.key, first.type, first.recordings) == ("A-1", "JX", ("day0", "day2"))
    assert [one.recording for one in first.quantities] == ["day0", "day2"]
    assert first.quantities[0].finding.serial == "A-1"
    assert first.recorded_h == pytest.approx(40 / 3600, rel=0.06)
    assert [one.running_h * 3600 for one in first.quantities] == pytest.approx([8, 28.9], rel=0.02)
    assert (second.key, len(second.quantities)) == ("B-2", 1)
    (note,) = listed.notes
    assert (note.kind, note.subject, note.detail) == (NoteKind.TWO_SERIALS, "a", "A-1, B-2")
    assert listed.specimen_named("B-2") is second
    with pytest.raises(InputError, match="the name of 2 specimens, expected one of their serials"):
        listed.specimen_named("a")
    with pytest.raises(InputError, match="found 'C-3', expected a serial or joint of these: A-1"):
        listed.specimen_named("C-3")


def test_without_a_serial_the_name_stands_for_it(tmp_path: Path):
    """And that is said; one with a serial of that name is another."""
    _recorded(tmp_path, "one")
    _recorded(tmp_path, "two", day=1)
    (specimen,) = find_specimens(tmp_path).specimens
    assert (specimen.key, specimen.serial, len(specimen.quantities)) == ("a", "", 2)
    assert [note.kind for note in specimen.notes] == [NoteKind.BY_NAME]
    _recorded(tmp_path, "three", day=2, settings='serial = "7"\n')
    listed = find_specimens(tmp_path)
    assert [one.key for one in listed.specimens] == ["7", "a"]
    assert listed.notes[0].detail == "7, a (no serial)"


def test_a_cut_is_no_second_measurement(tmp_path: Path):
    """Its findings are those of the original, its hours too; with the original gone it has them."""
    recording, kept = _recorded(tmp_path, "whole")
    copy_span(
        recording.path,
        out=tmp_path / "piece",
        start_ns=recording.start_ns,
        end_ns=recording.start_ns + 10 * S,
    )
    (specimen,) = find_specimens(tmp_path).specimens
    (quantity,) = specimen.quantities
    assert (quantity.finding.id, quantity.recording, quantity.is_gone) == (kept.id, "whole", False)
    assert specimen.recorded_h * 3600 == pytest.approx(21, abs=1.5)
    shutil.rmtree(recording.path)
    (specimen,) = find_specimens(tmp_path).specimens
    (quantity,) = specimen.quantities
    assert (quantity.recording, quantity.is_gone) == ("piece", True)


def test_the_newest_claims_count(tmp_path: Path):
    """Others that were stated before are said."""
    _recorded(tmp_path, "old", settings=CLAIM)
    _recorded(tmp_path, "new", day=1, settings=CLAIM.replace("10.0", "8.00"))
    _recorded(tmp_path, "bare", day=2)
    (specimen,) = find_specimens(tmp_path).specimens
    (claim,) = specimen.claims
    assert claim.text == "8.00"
    assert NoteKind.SEVERAL_CLAIMS in {note.kind for note in specimen.notes}


def test_two_joints_of_one_serial_are_said(tmp_path: Path):
    """One of them is another specimen: once, however many recordings repeat it."""
    joint = '[[joint]]\nname = "{}"\nlayout = "l"\nnode = {}\nserial = "A-1"\n'
    frame = '[[frame]]\nname = "f"\nidentifier = "node"\nlength = 2\n'
    value = '[[frame.value]]\nchannel = "current_A"\nbyte = 0\nbits = 16\n'
    bench = bench_from_texts(
        '[bus]\ninterface = "virtual"\n' + joint.format("a", 1) + joint.format("b", 2),
        {"l": f'format = 1\nname = "l"\n{frame}{value}'},
        where="bench.toml",
    )
    for day in range(2):
        manifest = new_manifest(bench, name=f"day{day}", started_ns=START_NS + day * 3600 * S)
        writer = BulkWriter(tmp_path / f"day{day}", manifest, bench)
        writer.close(ended_ns=START_NS + day * 3600 * S + S, cause="made")
    found = find_specimens(tmp_path)
    assert [one.kind for one in found.notes] == [NoteKind.SHARED_SERIAL]
    (line,) = sheet_note_lines(found)
    assert "A-1 is the serial of several joints of one bench (a, b)" in line


def test_claims_of_the_newest_alone_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Once for a specimen, however many recordings it has: they are read from the bench file."""
    for day in range(4):
        _recorded(
            tmp_path, f"day{day}", day=day, settings='serial = "A-1"\nclaims = { mass_kg = 1.9 }\n'
        )
    asked = []
    claims_of = Bench.claims_of
    monkeypatch.setattr(
        Bench, "claims_of", lambda bench, joint: asked.append(joint) or claims_of(bench, joint)
    )
    (specimen,) = find_specimens(tmp_path).specimens
    assert [one.quantity.name for one in specimen.claims] == ["mass"]
    assert len(asked) == 1


def test_what_cannot_be_read_is_said(tmp_path: Path):
    """A broken recording, a finding of a newer format; the others count."""
    recording, kept = _recorded(tmp_path, "whole")
    (recording.path / "findings" / f"{'1' * 32}.json").write_text('{"format": 3}')
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "recording.json").write_text("{")
    listed = find_specimens(tmp_path)
    assert [one.quantities[0].finding.id for one in listed.specimens] == [kept.id]
    assert {(note.kind, note.subject) for note in listed.notes} == {
        (NoteKind.UNREAD_RECORDING, "broken"),
        (NoteKind.UNREAD_FINDING, "1" * 32),
    }
    with pytest.raises(InputError, match="no such folder"):
        find_specimens(tmp_path / "none")
    assert find_specimens(recording.path).specimens[0].recordings == ("whole",)


def test_replaced_across_recordings(tmp_path: Path):
    """A better finding, kept in a later recording, stands in place of the older one."""
    _, older = _recorded(tmp_path, "one", settings='serial = "7"\n')
    later = small_recording(tmp_path / "two", start_ns=START_NS + DAY_NS, settings='serial = "7"\n')
    better = keep_finding(later.path, play_finding(later, 9.0, replaces=older.id))
    (specimen,) = find_specimens(tmp_path).specimens
    assert [one.finding.id for one in specimen.quantities] == [better.id]


def test_at_an_address(tmp_path: Path):
    """A folder of recordings in a store gives the same sheet."""
    pytest.importorskip("fsspec", reason='the extra "remote" is not installed')
    for day in range(2):
        _recorded(tmp_path, f"day{day}", day=day, settings=f'serial = "7"\n{CLAIM}')
    here = find_specimens(tmp_path)
    there = find_specimens(location_of(f"file://{tmp_path}"))
    assert there == here
    assert len(here.specimens[0].quantities) == 2


def test_the_mounting_of_the_bench_is_a_condition(tmp_path: Path):
    """What is claimed on a plate is compared with what was measured on it, with nothing else."""
    claim = '[joint.claims]\nbacklash_arcmin = { value = 12.0, mounting = "on a plate" }\n'
    _recorded(tmp_path / "plate", "one", settings=f'mounting = "On a  plate"\n{claim}')
    _recorded(tmp_path / "bare", "one", settings=claim)
    (row,) = make_sheet(find_specimens(tmp_path / "plate").specimens[0]).rows
    assert row.verdict.value == "meets it"
    (row,) = make_sheet(find_specimens(tmp_path / "bare").specimens[0]).rows
    assert row.verdict.value == "not comparable"
