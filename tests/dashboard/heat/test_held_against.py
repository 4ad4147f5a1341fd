"""A load held against what another recording of its joint tells: which one, and why not."""

from datetime import UTC
from types import SimpleNamespace

import numpy as np
import pytest

from dashboard.heat.fits import FitRequest, KeptFit
from dashboard.heat.held_against import other_fit
from dashboard.server.recording_cache import RecordingCache
from logger.errors import InputError
from tests.support.heat_recordings import START_NS, S, record_channels

BEGINS_S = {"open": 7200, "earlier": 0, "other-serial": 3600}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> RecordingCache:
    """Give half a minute of one joint, twice, and of another that has its name."""
    path = tmp_path_factory.mktemp("against")
    for name, begin_s in BEGINS_S.items():
        record_channels(
            path / name,
            START_NS + (begin_s + np.arange(30)) * S,
            {"current_A": np.ones(30), "temperature_housing_degC": np.full(30, 30.0)},
            settings=f'serial = "{"K-2" if name == "other-serial" else "K-1"}"\n',
        )
    return RecordingCache(path)


class _Fits:
    """Fits that are made at the second call."""

    def __init__(self) -> None:
        self.asked: list[tuple[FitRequest, str]] = []

    def find(self, request: FitRequest, recordings, *, page: str) -> KeptFit | None:
        self.asked.append((request, page))
        return KeptFit(SimpleNamespace(), 0) if len(self.asked) > 1 else None


def _other(folder, fits, name="earlier", ambient=""):
    return other_fit(
        folder.open_recording("open"), "a", name,
        recordings=folder, fits=fits, ambient=ambient, zone=UTC, page="p",
    )  # fmt: skip


def test_the_other_recording_is_fitted_and_named(folder: RecordingCache):
    """It alone, by a job that takes the place of none of the page's."""
    fits = _Fits()
    assert _other(folder, fits) is None
    found = _other(folder, fits)
    assert found is not None
    assert (found.path, found.source.recording) == ("earlier", "earlier")
    assert found.source.start_ns == START_NS
    ((request, page), again) = fits.asked
    assert again == (request, page)
    assert request.path.name == "earlier"
    assert request.further == ()
    assert page != "p"


@pytest.mark.parametrize(
    ("typed", "kept"), [("23degC", "23degC"), ("2026-11-18 13:06 22.5degC", ""), ("", "")]
)
def test_readings_of_the_room_are_of_their_own_day(folder: RecordingCache, typed: str, kept: str):
    """One temperature is taken along, dated readings are not: they were read at another time."""
    fits = _Fits()
    _other(folder, fits, ambient=typed)
    assert fits.asked[0][0].ambient == kept


@pytest.mark.parametrize(
    ("name", "words"), [("gone", "no recording named"), ("other-serial", "another serial of a")]
)
def test_what_cannot_be_held_against_is_said(folder: RecordingCache, name: str, words: str):
    """Before anything is fitted."""
    fits = _Fits()
    with pytest.raises(InputError, match=words):
        _other(folder, fits, name)
    assert not fits.asked
