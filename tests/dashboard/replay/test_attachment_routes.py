"""Attached files are handed on as downloads that nothing runs; only pictures may be shown."""

import json
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from logger.store.repair.attach_file import attach_file
from tests.support.findings import small_recording
from tests.support.heat_recordings import START_NS


def test_what_is_attached_is_downloaded_and_never_run(serve, tmp_path: Path):
    """A page that pretends to be a picture is a download; a picture is shown on request only."""
    recording = small_recording(tmp_path / "rec")
    for name, content in (
        ("page.png", b"<script>alert(1)</script>"),
        ("teeth\u00e9.html", b"\x89PNG\r\n\x1a\n1234"),
    ):
        (tmp_path / "source").write_bytes(content)
        attach_file(recording.path, tmp_path / "source", name=name, time_ns=START_NS)
    at = f"{serve(tmp_path)}/api/recordings/rec/attachments"
    with urllib.request.urlopen(at, timeout=20) as answer:
        listed = {one["name"]: one for one in json.loads(answer.read())["attachments"]}
    assert set(listed) == {"page.png", "teeth\u00e9.html"}
    for name, query, kind, how in (
        ("page.png", "", "application/octet-stream", "attachment"),
        ("page.png", "?picture=true", "application/octet-stream", "attachment"),
        ("teeth\u00e9.html", "", "application/octet-stream", "attachment"),
        ("teeth\u00e9.html", "?picture=true", "image/png", "inline"),
    ):
        with urllib.request.urlopen(f"{at}/{listed[name]['id']}{query}", timeout=20) as answer:
            assert answer.headers["content-type"] == kind
            assert answer.headers["content-disposition"].startswith(f"{how}; filename=")
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert "sandbox" in answer.headers["content-security-policy"]
    for path in (recording.path / "attachments").glob("*.content"):
        path.unlink()
    for name in (listed["page.png"]["id"], "..%2frecording.json", "0" * 32):
        with pytest.raises(urllib.error.HTTPError) as fault:
            urllib.request.urlopen(f"{at}/{name}", timeout=20)
        assert fault.value.code == 404
        fault.value.close()
