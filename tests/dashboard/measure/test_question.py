"""What a page sends of a measurement, and what is refused of it."""

import pytest

from dashboard.measure.question import MeasureFields
from logger.errors import InputError


def test_readings_and_spans_are_parted():
    """Several stand in one text; a span without an end is open."""
    asked = MeasureFields(
        kind="torque", readings="arm=344 mm; scale=3.25 kg at 6 A", spans="up1=1..2.5;up2=3..",
        divisions="scale=10 g", channels="scale=cell.force_N",
    ).asked("a")  # fmt: skip
    assert asked.readings == ("arm=344 mm", "scale=3.25 kg at 6 A")
    assert asked.reading_names == ("arm", "scale")
    assert [(one.begin_s, one.end_s) for one in asked.spans] == [(1.0, 2.5), (3.0, None)]
    assert asked.has_open_span
    assert dict(asked.divisions) == {"scale": "10 g"}
    named = asked.spans[1].named(1_000, 9_000_001_000)
    assert (named.start_ns, named.end_ns) == (3_000_001_000, 9_000_001_000)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"kind": "guess"}, "one of backlash"),
        ({"spans": "loop1"}, "NAME=FROM..TO"),
        ({"spans": "loop1=9..3"}, "an end after its begin"),
        ({"spans": "loop1=1e9..2e9"}, "NAME=FROM..TO"),
        ({"divisions": "tip"}, "NAME=VALUE"),
        ({"readings": ";".join(["a=1 m"] * 301)}, "at most 300"),
    ],
)
def test_nonsense_is_told(fields: dict[str, str], words: str):
    """One sentence for each, no traceback."""
    with pytest.raises(InputError, match=words):
        MeasureFields(**{"kind": "backlash", **fields}).asked("a")
