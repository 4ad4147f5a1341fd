"""recording.json: bounds of what is in it, and its checksum over writing and reading."""

import json
import os
import zlib
from pathlib import Path
from typing import Any

import pytest

from logger.errors import InputError
from logger.simulate import scenario
from logger.store.layout.manifest import (
    MANIFEST_CHANGED,
    new_manifest,
    read_manifest,
    write_manifest,
)

START_NS = 1_795_000_000_000_000_000


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Return a folder with a sound recording.json."""
    made = new_manifest(scenario.scenario_bench(channel="x"), name="t", started_ns=START_NS)
    write_manifest(tmp_path, made.model_copy(update={"ended_ns": START_NS + 10**9}))
    return tmp_path


def _content(recording: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((recording / "recording.json").read_text("utf-8"))
    return content


def _write(recording: Path, content: object) -> None:
    (recording / "recording.json").write_text(json.dumps(content), encoding="utf-8")


def test_a_flipped_byte_in_a_gear_ratio_is_told(recording: Path):
    """It is read all the same; written again, it says so for good, under a checksum that fits."""
    assert read_manifest(recording).missing == ()
    path = recording / "recording.json"
    text = path.read_text(encoding="utf-8")
    assert "gear_ratio = 9" in text
    path.write_text(text.replace("gear_ratio = 9", "gear_ratio = 8", 1), encoding="utf-8")
    damaged = read_manifest(recording)
    assert damaged.missing == (MANIFEST_CHANGED,)
    write_manifest(recording, damaged.model_copy(update={"end_cause": "sealed"}))
    assert read_manifest(recording).missing == (MANIFEST_CHANGED,)
    assert read_manifest(recording).end_cause == "sealed"


def test_every_flipped_byte_is_told(recording: Path):
    """As a mistake, or as a content that is not what was written; only blanks may change freely."""
    path = recording / "recording.json"
    whole = path.read_bytes()
    sound = _content(recording)
    for at in range(0, len(whole), 7):
        changed = bytearray(whole)
        changed[at] ^= 1
        path.write_bytes(changed)
        try:
            missing = read_manifest(recording).missing
        except InputError:
            continue
        assert missing == (MANIFEST_CHANGED,) or _content(recording) == sound


def test_one_without_a_checksum_reads_as_before(recording: Path):
    """Recorders before it wrote none; and blanks and the order of keys are free."""
    content = _content(recording)
    _write(recording, dict(reversed(content.items())))
    assert read_manifest(recording).missing == ()
    del content["crc32"]
    content["note"] = "changed by hand"
    _write(recording, content)
    assert (read_manifest(recording).missing, read_manifest(recording).note) == (
        (),
        content["note"],
    )


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("started_ns", 1e30),
        ("started_ns", -(2**63)),
        ("ended_ns", 2**70),
        ("ended_ns", START_NS + 2**60),
        ("rows", {"frames": 2**62}),
        ("rows", {"frames": -1}),
        ("clock", {"boottime_ns": 2**63, "wall_ns": 0}),
        ("limits_taken", [{"from_ns": 2**64, "text": ""}]),
    ],
)
def test_numbers_that_no_recorder_writes(recording: Path, key: str, value: object):
    """Times that no clock shows, an end that no reader would reach, counts below zero."""
    content = _content(recording)
    del content["crc32"]
    _write(recording, {**content, key: value})
    with pytest.raises(InputError, match=rf"{key}|a whole number"):
        read_manifest(recording)


@pytest.mark.parametrize(
    "text", ["[" * 50_000, '{"format": ' + "9" * 5000 + "}", "", "\xff", '{"format": 1}', "1"]
)
def test_texts_that_are_no_manifest(recording: Path, text: str):
    """Nesting, giant numbers, no JSON, no object: a sentence that names the file."""
    (recording / "recording.json").write_text(text, encoding="latin-1")
    with pytest.raises(InputError, match=r"recording\.json"):
        read_manifest(recording)


def test_a_pipe_in_its_place_does_not_wait(recording: Path):
    """Nobody writes into it."""
    (recording / "recording.json").unlink()
    os.mkfifo(recording / "recording.json")
    with pytest.raises(InputError, match="a pipe"):
        read_manifest(recording)


def test_the_checksum_is_what_the_guide_says(recording: Path):
    """CRC-32 of the content without it: keys sorted, no blanks, ASCII."""
    content = _content(recording)
    written = content.pop("crc32")
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert written == f"{zlib.crc32(text.encode('ascii')):08x}"
