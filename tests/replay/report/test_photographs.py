"""Photographs stand in a report as a part of it, as many as fit; of the others it says why not."""

import base64
from pathlib import Path

import pytest

from logger.store.reading.attachments import content_path
from logger.store.repair.attach_file import attach_file
from replay.recording import Recording
from replay.report.attached import WhyNot, read_attached
from replay.report.document import report_html
from replay.report.evidence import ReportEvidence, read_evidence
from replay.report.photographs import MOST_REPORT_BYTES, photographs_section
from tests.support.findings import S, small_recording
from tests.support.heat_recordings import START_NS
from tests.support.photographs import JPEG, PNG, camera_jpeg, png_part
from tests.support.report_page import read_report

TOLD = b"47 deg 11 min N"
HOSTILE_NAME = "teeth '&lt; onerror=alert(1).jpg"


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    """Return a recording of ten seconds."""
    return small_recording(tmp_path / "day0")


def _attach(recording: Recording, content: bytes, name: str, *, at_s: int, who: str = "") -> Path:
    source = recording.path.parent / "given"
    source.write_bytes(content)
    made = attach_file(recording.path, source, name=name, time_ns=START_NS + at_s * S, who=who)
    return content_path(recording.path, made)


def test_a_photograph_stands_in_the_report(recording: Recording):
    """In order of time, with name, instant and who; without a place, and nothing is fetched."""
    _attach(recording, PNG, "scale.png", at_s=5)
    _attach(recording, camera_jpeg(TOLD), HOSTILE_NAME, at_s=2, who="<b>eva")
    html = report_html(read_evidence([recording.path]))
    page = read_report(html)
    assert not page.faults
    first, second = page.all_of("img")
    assert set(first.attributes) == {"src", "alt"}
    assert HOSTILE_NAME in first.attributes["alt"]
    kind, _, text = first.attributes["src"].partition(";base64,")
    assert kind == "data:image/jpeg"
    shown = base64.b64decode(text, validate=True)
    assert TOLD not in shown
    assert shown.startswith(JPEG[:20])
    assert second.attributes["src"].startswith("data:image/png;base64,")
    captions = [one.text for one in page.all_of("figcaption")]
    assert any(HOSTILE_NAME in one and "attached by <b>eva" in one for one in captions)
    assert "img-src data:;" in html
    assert "not shown here" not in html


def test_what_is_not_shown_is_named(recording: Recording):
    """Documents, pages that call themselves pictures, torn, gone and changed ones."""
    files = {
        "protocol.pdf": (b"%PDF-1.7 <script>", WhyNot.NO_PICTURE),
        "drawing.svg": (b"<svg onload='alert(1)'/>", WhyNot.NO_PICTURE),
        "page.png": (b"<html><script>alert(1)</script>", WhyNot.NO_PICTURE),
        "torn.jpg": (JPEG[:-40], WhyNot.DAMAGED),
        "gone.jpg": (JPEG + b"1", WhyNot.GONE),
        "changed.jpg": (JPEG + b"2", WhyNot.CHANGED),
    }
    for at, (name, (content, _)) in enumerate(files.items()):
        stored = _attach(recording, content, name, at_s=at)
        if name == "gone.jpg":
            stored.unlink()
        elif name == "changed.jpg":
            stored.chmod(0o600)
            stored.write_bytes(JPEG + b"3")
    page = read_report(report_html(read_evidence([recording.path])))
    assert not page.all_of("img")
    _head, *rows = page.table_with("file", "why not")
    assert {row[0]: row[-1] for row in rows} == {
        name: why.value for name, (_, why) in files.items()
    }
    assert "Attached files" in [one.text for one in page.all_of("h2")]


def test_it_stays_below_six_megabytes(recording: Recording):
    """The smallest go in first; of the others it says so, and how small one has to be."""
    for at, size in enumerate((2_500_000, 900_000, 1_600_000, 700_000)):
        # The colour profile stands for the picture: nobody looks at its pixels here.
        large = PNG[:33] + png_part(b"iCCP", bytes([at]) * size) + PNG[33:]
        _attach(recording, large, f"{size}.png", at_s=at)
    evidence = read_evidence([recording.path])
    html = report_html(evidence)
    assert len(html.encode()) <= MOST_REPORT_BYTES < 6_000_000
    page = read_report(html)
    assert [one.attributes["alt"].split()[1].rstrip(",") for one in page.all_of("img")] == [
        "900000.png",
        "1600000.png",
        "700000.png",
    ]
    _, (name, *_, why) = page.table_with("file", "why not")
    assert (name, why) == ("2500000.png", WhyNot.NO_ROOM.value)
    assert "1,600 pixels" in html
    # What the rest takes, pictures do not have.
    crowded = read_report(f"<main>{photographs_section(evidence, 4_000_000)}</main>")
    assert len(crowded.all_of("img")) == 1


def test_memory_is_bounded(recording: Recording):
    """What cannot fit is told by its size, and its first bytes alone are read."""
    stored = _attach(recording, PNG + bytes(3_000_000), "large.png", at_s=1)
    (found,) = read_attached([recording], most_bytes=1_000)
    assert (found.picture, found.why_not) == (None, WhyNot.NO_ROOM)
    stored.chmod(0o600)
    with stored.open("r+b") as file:
        file.seek(100)
        file.write(b"changed")
    (found,) = read_attached([recording], most_bytes=1_000)
    assert found.why_not is WhyNot.NO_ROOM


def test_nothing_attached_is_no_section(recording: Recording):
    """Neither heading nor words."""
    evidence: ReportEvidence = read_evidence([recording.path])
    assert photographs_section(evidence, 0) == ""
