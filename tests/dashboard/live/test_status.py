"""The remarks under Live's figure: what was lost and what could not be read, in words."""

from datetime import UTC
from pathlib import Path

import pytest

from dashboard.live.status import live_status
from logger.event_kind import EventKind
from logger.joint.batch import FrameBatch
from logger.simulate import scenario
from logger.store.layout.events import Event
from logger.store.layout.manifest import new_manifest
from logger.store.writing.live_writer import RecordingWriter
from replay.recording import Recording

START_NS = 1_795_000_000_000_000_000


@pytest.mark.parametrize(
    ("counts", "remark"),
    [((), None), ((300.0, 1_760_000.0), "1 760 300 lines or frames could not be read")],
)
def test_what_could_not_be_read(tmp_path: Path, counts: tuple[float, ...], remark: str | None):
    """The counts of all its events, beside the frames that were lost; nothing of none."""
    bench = scenario.scenario_bench(channel="x")
    writer = RecordingWriter(
        tmp_path / "rec", new_manifest(bench, name="t", started_ns=START_NS), bench, now_s=0.0
    )
    writer.append_frames(FrameBatch.from_rows([(START_NS, 0x281, 0, b"")]))
    writer.append_events(
        [
            Event(sequence=row, time_ns=START_NS, kind=EventKind.GARBLED, value=count, bus=0)
            for row, count in enumerate(counts)
        ]
    )
    writer.close(ended_ns=START_NS + 1, cause="test")
    status = live_status(
        Recording.open(tmp_path / "rec"), latest={}, slow={}, now_ns=START_NS, zone=UTC
    )
    remarks = [text.replace("\u202f", " ").replace("\u2009", " ") for text in status["remarks"]]
    assert "no frame lost" in remarks
    assert [text for text in remarks if "could not be read" in text] == ([remark] if remark else [])
