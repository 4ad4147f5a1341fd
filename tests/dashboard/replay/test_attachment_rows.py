"""Attached files as Replay lists them: where they lead, how large they are, what became of them."""

from pathlib import Path

from dashboard.replay.attachment_rows import attachment_rows
from logger.store.repair.attach_file import attach_file
from replay.recording import Recording
from tests.support.findings import small_recording
from tests.support.heat_recordings import START_NS

S = 1_000_000_000


def test_rows_stand_at_the_time_that_they_show(tmp_path: Path):
    """A photograph within, a protocol of the day before, and one whose bytes are gone."""
    path = small_recording(tmp_path / "rec a").path
    for name, at_s, size in (("teeth.png", 2.0, 1_250_000), ("day before.pdf", -9e4, 12)):
        (tmp_path / "source").write_bytes(b"x" * size)
        attach_file(
            path, tmp_path / "source", name=name, time_ns=START_NS + int(at_s * S), who="Ada"
        )
    before, photo = attachment_rows(Recording.open(path))
    assert (before["name"], before["at_s"], before["at"]) == (
        "day before.pdf", None, "outside of this recording",
    )  # fmt: skip
    assert (photo["at_s"], photo["at"], photo["size"], photo["who"], photo["state"]) == (
        2.0, "00:00:02", "1.25 MB", "Ada", "",
    )  # fmt: skip
    assert photo["address"].startswith("/api/recordings/rec%20a/attachments/")
    for content in (path / "attachments").glob("*.content"):
        content.unlink()
    gone = attachment_rows(Recording.open(path))
    assert [one["address"] for one in gone] == ["", ""]
    assert gone[1]["state"] == "gone from the disk"
