"""Rows that a reader chose: every place by dash or a row each, flags last, any text a choice."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.row_choice import (
    ALL_ROWS,
    RowChoice,
    row_choice,
    row_offers,
    traced_channels,
)
from dashboard.figures.row_plan import FlagName, plan_rows
from dashboard.figures.sheet import make_sheet
from logger.joint.channels import USUAL_CHANNELS, channel_named
from logger.joint.quantities import QUANTITIES

PLACES = [f"temperature_{place}_degC" for place in ("winding", "housing", "bearing", "oil")]
ARM = {
    "shoulder": [*PLACES, "torque_Nm", "torque_sensor_Nm", "torque_setpoint_Nm", "position_rad",
                 "voltage_V", "fault_code"],
    "elbow": [*PLACES[:2], "current_A", "position_rad", "speed_setpoint_rad_s"],
}  # fmt: skip
FLAGS = {
    "shoulder": [FlagName(quantity="fault", channel="fault_code", name="current limited")],
    "elbow": [FlagName(quantity="state", channel="state_code", name="moving")],
}


def _drawn(text: str, **how: Any) -> list[tuple[str, list[tuple[str, str, int]]]]:
    rows = plan_rows(ARM, {}, choice=row_choice(text), flags=FLAGS, **how)
    return [
        (row.quantity, [(pen.joint, pen.flag or pen.channel, pen.dash) for pen in row.pens])
        for row in rows
    ]


def test_without_a_choice_the_usual_rows():
    """One temperature a joint, torque, position; faults where there were some, no states."""
    assert [quantity for quantity, _ in _drawn("")] == [
        "temperature",
        "torque",
        "position",
        "fault",
    ]
    assert _drawn("")[0][1] == [("shoulder", PLACES[0], 0), ("elbow", PLACES[0], 0)]


def test_up_to_three_places_share_a_row_told_apart_by_dash():
    """With their set-points in the same dash, and words for which line is which."""
    (row,) = plan_rows(ARM, {}, choice=row_choice("torque"))
    assert [(pen.channel, pen.dash, pen.setpoint) for pen in row.pens] == [
        ("torque_setpoint_Nm", 0, True), ("torque_Nm", 0, False), ("torque_sensor_Nm", 1, False)
    ]  # fmt: skip
    assert row.key == ("solid: torque", "dashed: sensor")
    (alone,) = plan_rows(ARM, {}, choice=row_choice("torque_sensor_Nm"))
    assert (alone.title, alone.place, alone.key) == ("Torque", "sensor", ())


def test_more_places_have_a_row_each():
    """And so has every place where dashes are needed for a second recording."""
    rows = _drawn("temperature")
    assert [pens for _, pens in rows] == [
        [("shoulder", PLACES[0], 0), ("elbow", PLACES[0], 0)],
        [("shoulder", PLACES[1], 0), ("elbow", PLACES[1], 0)],
        [("shoulder", PLACES[2], 0)],
        [("shoulder", PLACES[3], 0)],
    ]
    assert len(_drawn("torque", apart=True)) == 2


def test_flags_come_last_and_only_if_chosen():
    """Beside chosen rows they are a choice like any other."""
    assert [quantity for quantity, _ in _drawn("state,fault,voltage")] == [
        "voltage", "fault", "state"
    ]  # fmt: skip
    assert [quantity for quantity, _ in _drawn("voltage")] == ["voltage"]


def test_a_choice_that_no_joint_has_is_the_usual_rows():
    """A reader's kept choice meets a recording without any of it."""
    assert _drawn("pressure,mass") == _drawn("")
    assert _drawn("nonsense,,<b>") == _drawn("")


@given(st.lists(st.sampled_from([*QUANTITIES, *USUAL_CHANNELS, "torque_sensor_Nm"]), unique=True))
def test_a_choice_goes_through_an_address(items: list[str]):
    """What is joined by commas is read as it was."""
    assert row_choice(",".join(items)) == RowChoice(items=tuple(items))


@given(st.text(max_size=200))
def test_any_text_is_a_choice(text: str):
    """Nonsense in an address chooses nothing, and raises nothing."""
    assert all(item in QUANTITIES or channel_named(item) for item in row_choice(text).items)


def test_every_channel_can_be_chosen():
    """Each channel of a recording that has a trace is in the rows of everything, once a joint."""
    rows = plan_rows(ARM, {}, choice=ALL_ROWS)
    for joint, channels in ARM.items():
        drawn = [pen.channel for row in rows for pen in row.measured_pens if pen.joint == joint]
        assert sorted(drawn) == sorted(traced_channels(channels))
    # A set-point without what it sets has a trace of its own.
    assert "speed_setpoint_rad_s" in {pen.channel for row in rows for pen in row.pens}
    assert all(row.title and (row.unit or row.quantity == "ratio") for row in rows)


def test_what_is_offered_says_what_is_drawn():
    """A quantity with several places lists them; all of them shown is the quantity shown."""
    offers = {offer["key"]: offer for offer in row_offers(ARM, PLACES, {"fault": True})}
    assert offers["temperature"]["shown"]
    assert [place["label"] for place in offers["temperature"]["places"]] == [
        "winding", "housing", "bearing", "oil"
    ]  # fmt: skip
    assert (offers["torque"]["shown"], offers["fault"]["shown"]) == (False, True)
    assert offers["voltage"]["places"] == []
    part = row_offers(ARM, PLACES[:1], {})[0]
    assert (part["shown"], part["places"][0]["shown"]) == (False, True)
    assert "fault" not in {offer["key"] for offer in row_offers(ARM, (), {})}


@pytest.mark.parametrize("form", ["narrow", "normal", "wide"])
@pytest.mark.parametrize(
    "rows", [(0,), (0, 0, 0, 0), (0,) * 9, (0, 0, 3), (2,), (0, 0, 0, 0, 4, 2)]
)
def test_rows_tile_the_sheet_and_stay_readable(form: str, rows: tuple[int, ...]):
    """More rows make it taller; a flag has the height of its words, wherever it is."""
    base = make_sheet(form, 900, 790)
    sheet = base.with_room_for_rows(rows)
    domains = sheet.row_domains(rows)
    assert domains[0][1] == 1.0
    assert domains[-1][0] == pytest.approx(0.0, abs=0.002)
    for (low, high), flags in zip(domains, rows, strict=True):
        height = (high - low) * sheet.plot_height
        assert height >= (2.3 * flags * sheet.text if flags else 5 * sheet.text)
    gaps = [upper[0] - lower[1] for upper, lower in pairwise(domains)]
    assert all(gap * sheet.plot_height == pytest.approx(sheet.gap) for gap in gaps)
    assert (sheet == base) == (rows in {(0,), (0, 0, 0, 0)})
