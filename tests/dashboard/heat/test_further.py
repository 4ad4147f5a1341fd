"""Further recordings: those of the same joint are offered, and what cannot be fitted is said."""

from datetime import UTC
from pathlib import Path

import numpy as np
import pytest

from dashboard.heat.further import MOST_FURTHER, asked_fit, further_choices, named_recordings
from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError
from tests.support.heat_recordings import START_NS, S, record_channels

BEGINS_S = {"open": 0, "later": 3600, "other-serial": 7200, "no-serial": 9000, "overlaps": 20}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> RecordingCache:
    """Give recordings of half a minute: of one joint, of another of its name, and one at a time."""
    path = tmp_path_factory.mktemp("further")
    for name, begin_s in BEGINS_S.items():
        serial = {"other-serial": "K-2", "no-serial": ""}.get(name, "K-1")
        record_channels(
            path / name,
            START_NS + (begin_s + np.arange(30)) * S,
            {"current_A": np.ones(30), "temperature_housing_degC": np.full(30, 30.0)},
            settings=f'label = "Left knee"\nserial = "{serial}"\n' if serial else "",
        )
    return RecordingCache(path)


def test_recordings_of_the_same_joint_are_offered(folder: RecordingCache):
    """Newest first; neither of another serial nor of the same time."""
    opened = folder.open_recording("open")
    offered = further_choices(opened, "a", folder, UTC)
    assert [one["path"] for one in offered] == ["no-serial", "later"]
    assert all(one["when"].endswith(" 30 s") for one in offered)
    assert further_choices(opened, "elbow", folder, UTC) == []


def test_the_order_of_choosing_makes_no_other_fit(folder: RecordingCache):
    """Names come from an address: each counts once, and the one that is open is no further one."""
    opened = folder.open_recording("open")
    assert named_recordings("") == ()
    asked = [
        asked_fit(opened, "a", named_recordings(text), folder).request
        for text in ("no-serial/later", "later/open//no-serial/later")
    ]
    assert asked[0] == asked[1]
    assert [Path(one).name for one in asked[0].further] == ["later", "no-serial"]


@pytest.mark.parametrize(
    ("joint", "names", "words"),
    [
        ("a", "gone", "no recording named 'gone'"),
        ("a", "../further", "no recording named '..'"),
        ("elbow", "later", "no joint elbow"),
        ("a", "/".join(f"r{one}" for one in range(MOST_FURTHER + 1)), "at most 20"),
    ],
)
def test_what_cannot_be_asked_is_said(folder: RecordingCache, joint: str, names: str, words: str):
    """One sentence each, and no way out of the folder."""
    opened = folder.open_recording("open")
    with pytest.raises(InputError, match=words):
        asked_fit(opened, joint, named_recordings(names), folder)
