"""How long no recorder ran: by the steady clock of one boot, by the wall clock, or unknown."""

import math

import pytest

from logger.bus.clock import ClockSample
from logger.recording.pause import measure_pause
from logger.store.layout.manifest import ClockAnchor

S = 1_000_000_000
HOUR = 3600
WALL_NS = 1_795_000_000 * S
BEFORE = ClockAnchor(boottime_ns=500 * S, wall_ns=WALL_NS, boot_id="a")
ENDED_NS = WALL_NS + 100 * S
"""Boot time then: 600 s."""


def _measured(*, boottime_s: float, wall_s: float, boot_id: str, before: ClockAnchor = BEFORE):
    """Return the pause up to readings of the clocks; `wall_s` counts from the end."""
    now = ClockSample(
        boottime_ns=int(boottime_s * S), monotonic_ns=0, wall_ns=ENDED_NS + int(wall_s * S)
    )
    return measure_pause(
        before, now, boot_id=boot_id, ended_ns=ENDED_NS, axis_ns=max(now.wall_ns, ENDED_NS + 1)
    )


@pytest.mark.parametrize(
    ("wall_s", "words"),
    [
        (60.0, "after 60.0 s without a recorder (nothing recorded since"),
        (60.4, "after 60.0 s without a recorder (nothing recorded since"),
        (60.0 - HOUR, "by the steady clock; the wall clock was set back by 3600.0 s"),
        (60.0 - 30, "by the steady clock; the wall clock was set back by 30.0 s"),
        (60.0 + HOUR, "by the steady clock; the wall clock was set forward by 3600.0 s"),
    ],
)
def test_one_boot(wall_s: float, words: str):
    """Whatever became of the wall clock: the steady one has gone on for a minute."""
    pause = _measured(boottime_s=660, wall_s=wall_s, boot_id="a")
    assert pause.duration_s == pytest.approx(60.0)
    assert words in pause.text


@pytest.mark.parametrize(
    ("boot_id", "before", "boottime_s"),
    [
        ("b", BEFORE, 30),
        ("b", BEFORE, 660),
        ("", BEFORE, 660),
        ("a", BEFORE.model_copy(update={"boot_id": ""}), 660),
        ("a", BEFORE, 30),
    ],
)
def test_not_known_to_be_one_boot(boot_id: str, before: ClockAnchor, boottime_s: float):
    """Only the wall clock is left: it says it where it went on, else nothing does."""
    onward = _measured(boottime_s=boottime_s, wall_s=60, boot_id=boot_id, before=before)
    assert onward.duration_s == pytest.approx(60.0)
    back = _measured(boottime_s=boottime_s, wall_s=-HOUR, boot_id=boot_id, before=before)
    assert math.isnan(back.duration_s)
    assert "unknown time" in back.text
    assert "set back, by more than 3600.0 s" in back.text
    assert ("the machine restarted" in back.text) == (boot_id == "b")
