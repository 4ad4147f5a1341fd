"""What options are made of: each text means one value, or is refused by the option's name."""

from pathlib import Path

import pytest

from logger.cli.options import (
    Duration,
    Instant,
    KeyValue,
    Moment,
    RecordingPath,
    recording_folder_name,
)
from logger.errors import InputError


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90s", 90.0), ("90", 90.0), (" 1.5 min ", 90.0), ("6h", 21600.0), ("1d", 86400.0)],
)
def test_a_duration_in_seconds(text: str, seconds: float):
    """A number with a unit of time; without one it counts seconds."""
    assert Duration().convert(text, "--for") == seconds


@pytest.mark.parametrize("text", ["", "soon", "0s", "-5s", "5 weeks", "1e3s", "inf"])
def test_no_duration(text: str):
    """Nothing, nonsense and no time at all: one sentence that begins with the option."""
    with pytest.raises(InputError, match=r"^--for: found '.*', expected a time such as 90s"):
        Duration().convert(text, "--for")


def test_an_instant_with_and_without_a_zone():
    """UTC where no zone is named."""
    begun_ns = 1_767_323_045_500_000_000
    for text in ("2026-01-02T03:04:05.5", "2026-01-02T03:04:05.5Z", "2026-01-02T04:04:05.5+01:00"):
        assert Instant().convert(text, "--start") == Moment(begun_ns)
    nanoseconds = Instant().convert("2026-01-02T04:04:05.500000001+01:00", "--start")
    assert nanoseconds == Moment(begun_ns + 1)
    moment = Instant(or_from_start=True).convert("2h", "--from")
    assert moment.since_epoch_ns(begun_ns) == begun_ns + 7200 * 10**9
    assert Instant(or_from_start=True).convert("0s", "--from") == Moment(0, from_start=True)
    for kind, words in ((Instant(), "00Z.$"), (Instant(or_from_start=True), "or from the start")):
        with pytest.raises(InputError, match=f"^--from: found 'noon', expected a time.*{words}"):
            kind.convert("noon", "--from")
    with pytest.raises(InputError, match="found '90s'"):
        Instant().convert("90s", "--start")


def test_a_pair_has_both_sides():
    """Blanks around a side are none of it; what follows the first equals sign is the value."""
    assert KeyValue().convert(" bus = a=b ", "--channel") == ("bus", "a=b")
    for text in ("bus", "bus=", "=0", " = "):
        with pytest.raises(InputError, match=r"^--channel: found .*, expected NAME=VALUE\.$"):
            KeyValue().convert(text, "--channel")


def test_an_address_is_no_folder_here(tmp_path: Path):
    """As a path it would be a folder named `s3:`; the sentence says what reads from an address."""
    assert RecordingPath().convert(str(tmp_path), "--out") == tmp_path
    with pytest.raises(InputError, match=r"^s3://bucket/x: found an address, expected a folder"):
        RecordingPath().convert("s3://bucket/x", "--out")


def test_a_new_folder_is_named_by_start_and_name():
    """Small letters, digits and '-', never empty."""
    assert recording_folder_name(0, "Fan failure, 2nd") == "19700101T000000Z-fan-failure-2nd"
    assert recording_folder_name(0, "–") == "19700101T000000Z-recording"
