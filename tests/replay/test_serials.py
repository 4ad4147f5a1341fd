"""Recordings of one specimen: one rule, and one sentence wherever they are not."""

from pathlib import Path

import numpy as np
import pytest

from logger.errors import InputError
from replay.campaign.campaign import read_campaign
from replay.duty.model import duty_model
from replay.heat.bins import read_trace
from replay.recording import Recording
from replay.serials import known_serials, other_serial
from tests.support.heat_recordings import START_NS, S, record_channels


@pytest.fixture
def made(tmp_path: Path) -> dict[str, Recording]:
    """Give recordings that follow each other, two of which have one serial and one has none."""
    time_ns = START_NS + np.arange(60) * S
    return {
        name: record_channels(
            tmp_path / name,
            time_ns + place * 100 * S,
            {"current_A": np.full(60, 4.0)},
            settings=f'serial = "{serial}"\nlabel = "Left knee"' if serial else "",
        )
        for place, (name, serial) in enumerate(
            (("first", "K-1"), ("unnamed", ""), ("second", "K-2"), ("again", "K-1"))
        )
    }


def test_recordings_are_of_one_specimen_unless_two_serials_differ(made: dict[str, Recording]):
    """One without a serial may be of any; the first that differs is named, whatever follows it."""
    assert other_serial([made["first"], made["unnamed"], made["again"]], "a") is None
    found = other_serial([*made.values()], "a")
    assert found is not None
    assert (found.joint, found.serials, found.where) == ("Left knee", ("K-1", "K-2"), "second")
    assert known_serials(["", "K-2", "K-1", "K-2", ""]) == ("K-2", "K-1")


def test_the_sentence_is_the_same_everywhere(made: dict[str, Recording]):
    """In a fit of heat, a load held against another recording, a campaign."""
    recordings = [made["first"], made["second"]]
    with pytest.raises(InputError) as heat:
        read_trace(recordings, "a")
    with pytest.raises(InputError) as campaign:
        read_campaign(recordings, "a")
    duty = duty_model(recordings[0], "a", ambient=(), limit_degC=90.0, fitted_to=recordings[1:])
    assert duty.other_serial is not None
    assert str(heat.value) == str(campaign.value) == f"second: {duty.other_serial.clause}."
