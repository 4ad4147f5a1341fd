"""Which joints are drawn of one recording and of several."""

from types import SimpleNamespace
from typing import Any

import pytest

from dashboard import drawn_joints
from dashboard.drawn_joints import common_pens, drawn_pens, listed_joints, main_temperatures
from replay.recording import Recording


def test_few_joints_have_the_pens_of_the_bench(overheat: Recording):
    """In the order of the bench file, in one recording and in the same one twice."""
    assert listed_joints(overheat) == overheat.joints
    wanted = {"shoulder": 1, "elbow": 2}
    assert drawn_pens(overheat) == common_pens([overheat, overheat], ["elbow"]) == wanted


def test_of_many_the_most_urgent_come_first(four_arms: Recording):
    """Where a figure is of a few, the most urgent of them."""
    urgent = ("south-shoulder", "west-shoulder", "north-elbow")
    assert listed_joints(four_arms)[:3] == urgent == tuple(drawn_pens(four_arms))
    assert common_pens([four_arms], four_arms.joints) == dict(zip(urgent, (1, 2, 3), strict=True))
    few = common_pens([four_arms], ["west-base", "east-base", "west-elbow", "east-wrist"])
    assert few == {"west-elbow": 1, "east-wrist": 2, "west-base": 3}


def test_a_joint_has_one_pen_in_all_recordings(
    four_arms: Recording, overheat: Recording, monkeypatch: pytest.MonkeyPatch
):
    """By the recording in which it was most urgent."""
    both = common_pens([four_arms, overheat], ["shoulder", "south-shoulder", "west-base"])
    assert set(both) == {"south-shoulder", "shoulder", "west-base"}
    orders: dict[str, tuple[str, ...]] = {"a": tuple("vwxyz"), "b": tuple("zyxwv")}
    monkeypatch.setattr(drawn_joints, "most_urgent", lambda one: orders[one.name])
    recordings: list[Any] = [SimpleNamespace(name=key, joints=tuple("vwxyz")) for key in "ab"]
    assert common_pens(recordings, "vwxyz") == {"v": 1, "z": 2, "w": 3}


def test_instruments_are_not_listed(four_arms: Recording):
    """Nor are they most urgent; but they have a temperature of their own, and can be chosen."""

    class Joined:
        """The recording with one joint taken for an instrument."""

        bench = SimpleNamespace(sensors=("south-shoulder",))

        def __getattr__(self, name: str) -> object:
            return getattr(four_arms, name)

    joined: Any = Joined()
    assert "south-shoulder" not in listed_joints(joined)
    assert next(iter(drawn_pens(joined))) == "west-shoulder"
    assert drawn_pens(joined, chosen=["south-shoulder"]) == {"south-shoulder": 1}
    assert common_pens([joined], ["south-shoulder"]) == {"south-shoulder": 1}
    watched = ["south-shoulder", "north-base"]
    assert common_pens([joined], watched) == {"north-base": 1, "south-shoulder": 2}
    assert main_temperatures(joined)["south-shoulder"] == "temperature_housing_degC"
