"""The load of a motion by temperature, kept of several recordings, and its trend in the sheet."""

import json
from pathlib import Path

import numpy as np
import pytest

from logger.campaign.cycle_plan import CycleKind
from logger.errors import InputError
from replay.campaign.cycle_table import CycleTable, kind_codes
from replay.motion.cli import measure_motion
from replay.motion.motion import motion_loads
from replay.sheet.sheet import make_sheet
from replay.sheet.specimens import find_specimens
from replay.sheet.words import trend_text
from tests.support.heat_recordings import START_NS, S, record_channels


def _table(loads: np.ndarray, temperatures: np.ndarray | None, kind: str = "whole") -> CycleTable:
    count = len(loads)
    begin = START_NS + np.arange(count, dtype=np.int64) * 8 * S
    figures = {"cycle_time_s": np.full(count, 8.0), "rms_current_A": loads}
    if temperatures is not None:
        figures["mean_temperature_housing_degC"] = temperatures
    return CycleTable(
        joint="a",
        start_ns=begin,
        end_ns=begin + 8 * S,
        kind_codes=kind_codes([CycleKind(kind)] * count),
        figures=figures,
    )


def test_cycles_are_sorted_by_temperature():
    """A load for each step of 4 K with ten whole cycles; the mean, and how it scatters."""
    dice = np.random.default_rng(1)
    loads = np.concatenate([np.full(40, 5.0), np.full(40, 4.8), np.full(9, 3.0)])
    loads = loads + dice.normal(0, 0.01, len(loads))
    temperatures = np.concatenate([np.full(40, 30.9), np.full(40, 40.0), np.full(9, 60.0)])
    cool, warm = motion_loads(_table(loads, temperatures), 1.5708)
    assert (cool.temperature_degC, cool.cycles, warm.temperature_degC) == (32.0, 40, 40.0)
    assert cool.quantity.low < 5.0 < cool.quantity.high
    assert warm.quantity.high < 4.9
    assert cool.quantity.conditions == {
        "cycle_time_s": 8.0,
        "travel_rad": 1.57,
        "temperature_housing_degC": 32.0,
    }


def test_what_is_no_motion_has_no_load():
    """Too few cycles, none whole, or none with a load."""
    assert motion_loads(_table(np.full(9, 5.0), None), None) == ()
    assert motion_loads(_table(np.full(40, 5.0), None, kind="short"), None) == ()
    assert motion_loads(_table(np.full(40, np.nan), np.full(40, 30.0)), None) == ()
    (alone,) = motion_loads(_table(np.full(40, 5.0), None), None)
    assert alone.temperature_degC is None
    assert alone.quantity.conditions == {"cycle_time_s": 8.0}


def _record(path: Path, *, day: int, load: float) -> None:
    """Record eight minutes of a motion of 8 s at one temperature."""
    seconds = np.arange(0.0, 480.0, 0.1)
    phase = 2.0 * np.pi * seconds / 8.0
    record_channels(
        path,
        START_NS + day * 86_400 * S + (seconds * 1e9).astype(np.int64),
        {
            "position_rad": np.sin(phase),
            "current_A": load * (1.0 + 0.5 * np.cos(phase)),
            "temperature_housing_degC": np.full(len(seconds), 31.0),
        },
        settings='serial = "A-1"\n',
    )


def test_recordings_of_one_serial_tell_how_it_goes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """Kept of each, the same motion at like temperature is one row of the sheet."""
    for day in range(3):
        _record(tmp_path / f"day{day}", day=day, load=5.0 + 0.1 * day)
        measure_motion(tmp_path / f"day{day}", keep=True, as_json=True)
        answer = json.loads(capsys.readouterr().out.splitlines()[-1])
        (load,) = answer["loads"]
        assert load["value"] == pytest.approx((5.0 + 0.1 * day) * np.sqrt(1.125), rel=2e-3)
        assert answer["kept"]
    (specimen,) = find_specimens(tmp_path).specimens
    (row,) = make_sheet(specimen).rows
    assert row.label == "motion current"
    assert len(row.history) == 3
    # Within half an hour of running no slope per 100 h can be told.
    assert row.trend is None
    assert trend_text(row) == ""


def test_a_recording_without_a_motion_is_refused(tmp_path: Path):
    """With what was found, and what lists the cycles that there are."""
    seconds = np.arange(0.0, 40.0, 0.1)
    record_channels(
        tmp_path / "r",
        START_NS + (seconds * 1e9).astype(np.int64),
        {"position_rad": np.sin(2.0 * np.pi * seconds / 8.0), "current_A": np.full(400, 2.0)},
    )
    with pytest.raises(InputError):
        measure_motion(tmp_path / "r")
